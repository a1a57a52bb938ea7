"""A demo that runs, and which processes it has running. May import psutil and the standard library only."""

import os
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

import psutil


@dataclass(frozen=True, slots=True)
class Demo:
    """A demo in its folder. ended: what it said on stdout and stderr, its exit code and how many seconds it took."""

    site: Path
    ended: Future[tuple[str, str, int, float]]


def servers_of(site: Path) -> list[psutil.Process]:
    """Return processes whose command line names this demo's simulated link."""
    found = []
    for process in psutil.process_iter():
        try:
            if any(str(site) in word for word in process.cmdline()) and process.pid != os.getpid():
                found.append(process)
        except psutil.Error:
            continue
    return found
