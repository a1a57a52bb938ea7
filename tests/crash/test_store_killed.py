"""SIGKILL at random moments: what was announced as kept is there, and the files are whole."""

import contextlib
import csv
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from sitetest.store.database import Store
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.reading import StoreReader
from sitetest.store.records import Status
from sitetest.store.tidy import attempt_values, csv_rows, header_line

TESTS = Path(__file__).parents[1]
KILLS = 30


def killed_at_work(path: Path, name: str, attempts: int, further: float) -> list[str]:
    """Let a child write, kill it, and return what it had announced.

    The moment: after that many attempts and a further share of the time that one takes on this machine's disk.
    """
    child = subprocess.Popen(
        [sys.executable, "-B", str(TESTS / "store_writing_child.py"), str(path), name],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        began = time.monotonic()
        announced = [child.stdout.readline().strip() for _ in range(attempts)]
        killer = threading.Timer(further * (time.monotonic() - began) / attempts, child.kill)
        killer.start()
        announced += [line.strip() for line in child.stdout if line.endswith("\n")]
        killer.join()
        assert child.wait() == -signal.SIGKILL
        return announced
    finally:
        child.kill()
        child.communicate()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is a POSIX signal")
def test_no_announced_attempt_is_lost_to_a_kill(tmp_path: Path) -> None:
    """Issue 2, faults: every attempt that was announced as stored is there, and the file opens."""
    path = tmp_path / "results" / "site.sqlite"
    table = path.with_name("results.csv")
    moments = random.Random(20260302)
    announced: list[str] = []
    for turn in range(KILLS):
        announced += killed_at_work(path, f"life{turn}", moments.randint(1, 4), moments.uniform(0, 2))

        with table.open(newline="", encoding="utf-8") as file:
            lines = list(csv.reader(file, strict=True))
        assert table.read_bytes().endswith(b"\r\n")
        assert {len(line) for line in lines} == {len(ATTEMPT_FIELDS)}

        with StoreReader.read_only(path) as reader:
            kept = {attempt.test_id: attempt for attempt in reader.attempts("visit-1")}
            whole = {name: reader.attempt(name) for name in announced}
        assert [name for name in announced if kept[name].status is not Status.OK] == []
        assert [name for name in announced if len(whole[name].seconds) != 3 or len(whole[name].observations) != 3] == []
        unsettled = [name for name, attempt in kept.items() if attempt.status is Status.INTERRUPTED]
        assert len(unsettled) <= turn + 1  # at most the one in hand at each kill

        with contextlib.closing(sqlite3.connect(path)) as other:
            assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert other.execute("PRAGMA foreign_key_check").fetchall() == []

    assert unsettled  # some of the kills did hit an attempt in hand
    with Store.open(path, create=False) as store:
        facts = store.facts()
    assert table.read_bytes() == (header_line(ATTEMPT_FIELDS) + csv_rows(map(attempt_values, facts))).encode()
