"""The agent killed with SIGKILL at random moments: what it had announced is kept, and `--resume` completes the matrix.

The moments come from a seeded generator and hang on what the agent says, so that on a fast and on a slow machine alike
they fall into start-up, transfer, commit and what follows a commit. Every transfer is real, against a real server
process; each agent finds a fresh one, because the lease of a killed one lives on for ``LEASE_SILENCE_S``: kills
would else hit agents that wait (test_run_on_loopback.py has that wait).
"""

import contextlib
import csv
import os
import random
import re
import signal
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path

import pytest
from loopback_site import loopback_site
from paced_server import paced_server
from sitetest_process import run_agent, start_agent

from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, Status

KILLS = 50
SEEDS = (20261125, 20261126)
TURNS = 6
LIFE_LIMIT_S = 60.0

AT_ONCE = re.compile("")
TURN = re.compile(r"turn \d+ of \d+: |one more turn: ")
STORED = re.compile(r"\d+/\d+ auto (?P<direction>download|upload): (?P<outcome>.+)")


@dataclass(slots=True)
class Moments:
    """When to kill: so long after the first line of a kind. attempt_s: how long one took the last time."""

    chosen: random.Random
    attempt_s: float = 1.2

    def __iter__(self) -> Iterator[tuple[re.Pattern[str], float]]:
        for phase in cycle(("start-up", "transfer", "commit", "next attempt", "commit")):
            share = self.chosen.random()
            match phase:
                case "start-up":
                    yield AT_ONCE, 1.2 * share
                case "transfer":
                    yield TURN, self.attempt_s * share
                case "commit":
                    yield TURN, self.attempt_s + 0.04 * (share - 0.75)
                case _:
                    yield STORED, self.attempt_s * share**4  # most of them right after the commit


@dataclass(frozen=True, slots=True)
class Life:
    """One process. said: its whole lines on stderr. attempt_s: from the turn's begin to the first that was stored."""

    returncode: int
    said: tuple[str, ...]
    attempt_s: float | None

    @property
    def stored(self) -> list[tuple[str, str]]:
        """What was announced as stored, in order: direction, and figure or status."""
        return [(match["direction"], match["outcome"]) for line in self.said if (match := STORED.match(line))]


def killed(moment: tuple[re.Pattern[str], float], folder: Path, *arguments: str, token: str) -> Life:
    """Run the agent and kill it at that moment, unless it ends before."""
    since, delay_s = moment
    agent = start_agent(folder, *arguments, token=token)
    killers = [threading.Timer(LIFE_LIMIT_S, agent.kill)]
    killers[0].start()
    began_s = time.monotonic()
    said: list[str] = []
    seen_s: dict[re.Pattern[str], float] = {}

    def seen(kind: re.Pattern[str]) -> None:
        if kind not in seen_s:
            seen_s[kind] = time.monotonic()
            if kind is since:
                killers.append(threading.Timer(delay_s, agent.kill))
                killers[-1].start()

    try:
        seen(AT_ONCE)
        assert agent.stderr is not None
        for line in agent.stderr:
            if line.endswith("\n"):  # a line without its end was not said
                said.append(line)
                for kind in (TURN, STORED):
                    if kind.match(line):
                        seen(kind)
        returncode = agent.wait()
    finally:
        for killer in killers:
            killer.cancel()
        agent.kill()
        agent.communicate()
    assert time.monotonic() - began_s < LIFE_LIMIT_S, said
    attempt_s = seen_s[STORED] - seen_s[TURN] if STORED in seen_s else None
    return Life(returncode, tuple(said), attempt_s)


def kept_attempts(site: Path) -> list[AttemptRecord]:
    """Every attempt in the store, oldest first, after SQLite's own checks of the file."""
    path = store_path(site)
    if not path.exists():
        return []
    with contextlib.closing(sqlite3.connect(path)) as other:
        assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert other.execute("PRAGMA foreign_key_check").fetchall() == []
    with StoreReader.read_only(path) as store:
        return [attempt for visit in store.visits() for attempt in store.attempts(visit.visit_id)]


def table_rows(site: Path) -> dict[str, dict[str, str]]:
    """Return results.csv by test id; a half row fails."""
    table = store_path(site).with_name("results.csv")
    if not table.exists():
        return {}
    assert table.read_bytes().endswith(b"\r\n")
    with table.open(newline="", encoding="utf-8") as file:
        head, *lines = csv.reader(file, strict=True)
    assert {len(line) for line in lines} <= {len(head)}
    rows = [dict(zip(head, line, strict=True)) for line in lines]
    by_id = {row["test_id"]: row for row in rows}
    assert len(by_id) == len(rows)
    return by_id


def is_announced(attempt: AttemptRecord, direction: str, outcome: str) -> bool:
    """Whether the line on stderr can have been about this attempt."""
    if attempt.direction != direction:
        return False
    if attempt.status is Status.OK:
        return attempt.throughput_mbps is not None and outcome.startswith(f"{attempt.throughput_mbps:.1f} Mbit/s")
    return attempt.status is not Status.INTERRUPTED and outcome.startswith(attempt.status.value)


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
    moments = Moments(random.Random(seed))
    moment = iter(moments)
    announced = 0
    before: list[AttemptRecord] = []
    site = loopback_site(folder / "site", "192.0.2.7", turns=TURNS, warm_up_s=0.0, duration_s=1.0)  # see --server
    run = ("run", "-p", "basement", "--site", str(site), "--yes", "--server")
    while kills:
        resume = ("--resume",) if resumable(site) else ()
        with paced_server(folder / "server") as server:
            life = killed(next(moment), folder, *run, server.url, *resume, token=server.token)
        assert life.returncode in {-signal.SIGKILL, 0}, life.said
        kills -= life.returncode == -signal.SIGKILL
        moments.attempt_s = life.attempt_s or moments.attempt_s
        announced += len(life.stored)

        kept, rows = kept_attempts(site), table_rows(site)
        assert kept[: len(before)] == before, "what an earlier agent had kept is not there as it was"
        new, before = kept[len(before) :], kept
        assert len(new) <= len(life.stored) + 1, "more than the attempt in hand was kept without a word"
        for (direction, outcome), attempt in zip(life.stored, new[: len(life.stored)], strict=True):
            assert is_announced(attempt, direction, outcome), f"announced: {outcome}, kept: {attempt}"
            assert rows[attempt.test_id]["status"] == attempt.status.value
            assert bool(rows[attempt.test_id]["throughput_mbps"]) == (attempt.status is Status.OK)
    if resumable(site):
        with paced_server(folder / "server") as server:
            done = run_agent(folder, *run, server.url, "--resume", token=server.token)
        assert done.returncode == 0, done.stderr

    attempts = kept_attempts(site)
    assert announced, "every kill came before the first announcement"
    assert any(attempt.status is Status.INTERRUPTED for attempt in attempts), "no kill hit an attempt in hand"
    settled: Counter[tuple[str, str, int]] = Counter()
    for attempt in attempts:
        wanted = (attempt.visit_id, attempt.direction, attempt.repeat)
        assert wanted not in settled, f"measured again although it was done: {attempt}"
        settled[wanted] += attempt.status is Status.OK
        settled = +settled  # keeps what is done alone
    visits = {attempt.visit_id for attempt in attempts}
    for repeat in range(1, TURNS + 1):
        for direction in ("download", "upload"):
            assert all((visit, direction, repeat) in settled for visit in visits)
    assert set(table_rows(site)) == {attempt.test_id for attempt in attempts}


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is a POSIX signal")
@pytest.mark.parametrize("seed", SEEDS)
def test_fifty_kills_lose_nothing_that_was_announced_and_repeat_nothing_that_was_done(
    tmp_path: Path, seed: int
) -> None:
    """On sites of their own, each with its own server, so that they may run side by side: most of it is waiting."""
    one_site(tmp_path, seed, KILLS // len(SEEDS))
