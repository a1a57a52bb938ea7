"""The agent killed with SIGKILL at random moments: what it had announced is kept, and `--resume` completes the matrix.

The moments are spread over start-up, transfer and commit by a seeded generator. Every transfer is real, against a real
server process.
"""

import contextlib
import csv
import os
import random
import re
import signal
import sqlite3
import subprocess
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from loopback_site import loopback_site
from paced_server import paced_server
from sitetest_process import run_agent, start_agent

from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, Status

KILLS = 50
TURNS = 6
LATEST_S = 2.4
"""Start-up takes about one second, an attempt about 1.3 s: kills fall before, into and between attempts."""

ANNOUNCED = re.compile(r"^\d+/\d+ auto (download|upload): ([\d.]+) Mbit/s")


def killed_after(
    delay_s: float, folder: Path, *arguments: str, token: str
) -> tuple["subprocess.CompletedProcess[str]", list[tuple[str, str]]]:
    """Run the agent and kill it after so long; return how it ended and what it had announced as stored."""
    agent = start_agent(folder, *arguments, token=token)
    killer = threading.Timer(delay_s, agent.kill)
    killer.start()
    out, err = agent.communicate(timeout=60)
    killer.cancel()
    said = [line for line in err.split("\n")[:-1] if ANNOUNCED.match(line)]  # a line without its end was not said
    return (
        subprocess.CompletedProcess(agent.args, agent.returncode, out, err),
        [match.groups() for line in said if (match := ANNOUNCED.match(line))],  # type: ignore[misc]  # two groups
    )


def kept_attempts(site: Path) -> list[AttemptRecord]:
    """Every attempt in the store, after SQLite's own check of the file and a look at the table beside it."""
    path = store_path(site)
    if not path.exists():
        return []
    with StoreReader.read_only(path) as store:
        attempts = [attempt for visit in store.visits() for attempt in store.attempts(visit.visit_id)]
    with contextlib.closing(sqlite3.connect(path)) as other:
        assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    table = path.with_name("results.csv")
    if table.exists():
        with table.open(newline="", encoding="utf-8") as file:
            rows = list(csv.reader(file, strict=True))
        assert len({len(row) for row in rows}) == 1
    return attempts


def resumable(site: Path) -> bool:
    """Whether the newest visit has begun and is not complete."""
    path = store_path(site)
    if not path.exists():
        return False
    with StoreReader.read_only(path) as store:
        visits = store.visits()
        return bool(visits) and store.outcome(visits[-1].visit_id) != "complete"


def one_site(folder: Path, seed: int, kills: int) -> None:
    """Kill the agents of one site so many times, complete the matrix, and check what is left."""
    moments = random.Random(seed)
    announced: Counter[tuple[str, str]] = Counter()
    with paced_server(folder / "server") as running:
        site = loopback_site(folder / "site", running.url, turns=TURNS, warm_up_s=0.0, duration_s=1.0)
        run = ("run", "-p", "basement", "--site", str(site), "--yes")
        while kills:
            resume = ("--resume",) if resumable(site) else ()
            delay_s = moments.uniform(0.1, LATEST_S)
            ended, said = killed_after(delay_s, folder, *run, *resume, token=running.token)
            assert ended.returncode in {-signal.SIGKILL, 0}, ended.stderr
            kills -= ended.returncode == -signal.SIGKILL
            announced.update(said)
            kept = Counter(
                (attempt.direction, f"{attempt.throughput_mbps:.1f}")
                for attempt in kept_attempts(site)
                if attempt.status is Status.OK and attempt.throughput_mbps is not None
            )
            assert announced <= kept, f"announced and not kept: {announced - kept}"
        while resumable(site):
            done = run_agent(folder, *run, "--resume", token=running.token)
            assert done.returncode == 0, done.stderr

    attempts = kept_attempts(site)
    assert any(attempt.status is Status.INTERRUPTED for attempt in attempts), "no kill hit an attempt in hand"
    settled = Counter(
        (attempt.visit_id, attempt.turn, attempt.repeat, attempt.direction)
        for attempt in attempts
        if attempt.status is Status.OK
    )
    assert set(settled.values()) == {1}, "something that was done was measured again"
    planned = {key for key in settled if key[1] <= TURNS}
    assert len(planned) == 2 * TURNS * len({attempt.visit_id for attempt in attempts})


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is a POSIX signal")
def test_fifty_kills_lose_nothing_that_was_announced_and_repeat_nothing_that_was_done(tmp_path: Path) -> None:
    """On two sites side by side, each with its own server: most of the time is waiting."""
    with ThreadPoolExecutor(2) as both:
        lives = [both.submit(one_site, tmp_path / str(seed), seed, KILLS // 2) for seed in (20261125, 20261126)]
        for life in lives:
            life.result()
