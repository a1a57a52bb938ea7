"""``sitetest`` as a process of its own, with settings folders of its own, for tests of the whole command.

May import the standard library only.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

COMMAND = [sys.executable, "-c", "from sitetest.cli.main import run; run()"]
LIMIT_S = 90.0


def agent_environment(home: Path, token: str | None = None) -> dict[str, str]:
    """Return an environment in which nothing of whoever runs the tests is read or written."""
    names = ("CONFIG", "STATE", "DATA", "CACHE")
    own = {f"XDG_{name}_HOME": str(home / name.lower()) for name in names}
    kept = {key: value for key, value in os.environ.items() if key not in {"SITETEST_TOKEN", "NO_COLOR", "COLUMNS"}}
    return {
        **kept,
        "HOME": str(home),
        **own,
        **({} if token is None else {"SITETEST_TOKEN": token, "SITETEST_INTERNET_TOKEN": token}),
    }


def start_agent(
    home: Path, *arguments: str, token: str | None = None, prefix: Sequence[str] = ()
) -> "subprocess.Popen[str]":
    """Start the agent; whoever starts it ends it."""
    return subprocess.Popen(
        [*prefix, *COMMAND, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=agent_environment(home, token),
    )


def run_agent(
    home: Path, *arguments: str, token: str | None = None, prefix: Sequence[str] = ()
) -> "subprocess.CompletedProcess[str]":
    """Run the agent to its end."""
    process = start_agent(home, *arguments, token=token, prefix=prefix)
    try:
        out, err = process.communicate(timeout=LIMIT_S)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    return subprocess.CompletedProcess(process.args, process.returncode, out, err)


def until_said(process: "subprocess.Popen[str]", wanted: Callable[[str], bool], limit_s: float = 30.0) -> list[str]:
    """Read stderr line by line until one is ``wanted``; return what was said. Raises AssertionError at its end."""
    assert process.stderr is not None
    said: list[str] = []
    until_s = time.monotonic() + limit_s
    while time.monotonic() < until_s:
        line = process.stderr.readline()
        if not line:
            break
        said.append(line.rstrip("\n"))
        if wanted(line):
            return said
    raise AssertionError("never said; what was said: " + "\n".join(said))


def document(text: str) -> dict[str, Any]:
    """Return the one JSON document on stdout; anything around it fails."""
    found = json.loads(text)
    assert isinstance(found, dict)
    assert found["format"] == 1
    return found
