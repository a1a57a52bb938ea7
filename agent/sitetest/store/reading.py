"""Everything that can be asked of a store. Opened read-only here; `database.py` adds writing.

Every question is answered from one consistent state and lets go of the file before it returns, so that analysing never
holds up a run. May import the rest of this room and the standard library only.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sitetest.errors import StoreError
from sitetest.store.opening import open_for_reading
from sitetest.store.records import (
    AttemptRecord,
    BaselineRecord,
    EventRecord,
    Flag,
    Observation,
    SecondRecord,
    TurnRecord,
    VisitKind,
    VisitRecord,
    WatchSecondRecord,
)
from sitetest.store.rows import (
    ATTEMPT_COLUMNS,
    attempt_of,
    baseline_of,
    event_of,
    flag_of,
    observation_of,
    second_of,
    turn_of,
    visit_of,
    watch_second_of,
)
from sitetest.store.sqlite_errors import translated_reading
from sitetest.store.tidy import Facts

STORE_NAME = "site.sqlite"
"""Name of the store inside ``results/``."""

TABLE_NAME = "results.csv"
"""Name of the tidy table inside ``results/``."""

_WATCH_SECONDS_AT_A_TIME = 5000
_ATTEMPTS_AT_A_TIME = 500

_ATTEMPT = ", ".join(f"attempt.{name}" for name in (*ATTEMPT_COLUMNS, "turn_sequence"))


def store_path(site_dir: Path) -> Path:
    """Where the store of a site is."""
    return site_dir / "results" / STORE_NAME


class StoreReader:
    """Questions to a store. Every method raises StoreDamaged when the file turns out to be damaged."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self.path = path

    @staticmethod
    def read_only(path: Path) -> "StoreReader":
        """Open a store for analysis: nothing is changed, a run may go on meanwhile, the medium may be read-only.

        Raises StoreError when there is none, StoreNewer, StoreDamaged.
        """
        return StoreReader(open_for_reading(path), path)

    def close(self) -> None:
        """Let go of the file. May be called twice."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def visits(self) -> list[VisitRecord]:
        """Every visit in the order in which it began."""
        with translated_reading(self.path):
            return [visit_of(row) for row in self._rows("SELECT * FROM visit ORDER BY sequence")]

    def visit(self, visit_id: str) -> VisitRecord:
        """One visit. Raises StoreError when there is none of that name."""
        with translated_reading(self.path):
            rows = self._rows("SELECT * FROM visit WHERE visit_id = ?", visit_id)
            if rows:
                return visit_of(rows[0])
        raise StoreError(f"There is no visit {visit_id} in {self.path}.")

    def outcome(self, visit_id: str) -> str | None:
        """How a visit ended; None while it runs, when the agent died, or when there is no such visit."""
        with translated_reading(self.path):
            rows = self._rows("SELECT outcome FROM visit WHERE visit_id = ?", visit_id)
            return rows[0]["outcome"] if rows else None

    def unfinished_visit(self, profile: str, location: str, kind: VisitKind = VisitKind.RUN) -> VisitRecord | None:
        """The last visit of that profile, location and kind, if it is not complete; None when there is nothing to
        resume.

        An older unfinished visit that was followed by a complete one is not brought up again.
        """
        with translated_reading(self.path):
            rows = self._rows(
                "SELECT * FROM visit WHERE profile = ? AND location = ? AND kind = ? ORDER BY sequence DESC LIMIT 1",
                profile, location, kind.value,
            )  # fmt: skip
            return visit_of(rows[0]) if rows and rows[0]["outcome"] != "complete" else None

    def turns(self, visit_id: str) -> list[TurnRecord]:
        """Every turn of a visit as it began; a turn that was resumed comes again."""
        with translated_reading(self.path):
            return [turn_of(r) for r in self._rows("SELECT * FROM turn WHERE visit_id = ? ORDER BY sequence", visit_id)]

    def events(self, visit_id: str) -> list[EventRecord]:
        """Everything that happened in a visit, in order."""
        with translated_reading(self.path):
            rows = self._rows("SELECT * FROM event WHERE visit_id = ? ORDER BY sequence", visit_id)
            return [event_of(row) for row in rows]

    def watch_seconds(self, visit_id: str) -> Iterator[WatchSecondRecord]:
        """Every second of a soak's watch, in order, some thousands at a time: a week has 600,000 of them."""
        last = -1
        while True:
            with translated_reading(self.path):
                rows = self._rows(
                    "SELECT * FROM watch_second WHERE visit_id = ? AND sequence > ? ORDER BY sequence LIMIT ?",
                    visit_id, last, _WATCH_SECONDS_AT_A_TIME,
                )  # fmt: skip
                seconds = [watch_second_of(row) for row in rows]
            if not rows:
                return
            yield from seconds
            last = rows[-1]["sequence"]

    def attempts(self, visit_id: str) -> Sequence[AttemptRecord]:
        """Every attempt of a visit in the order in which it ran, with flags, without the rest of its detail."""
        return [facts.attempt for facts in self._facts("WHERE attempt.visit_id = ?", visit_id)]

    def attempt(self, test_id: str) -> AttemptRecord:
        """One attempt whole: flags, seconds, observations and raw text. Raises StoreError when there is none of that
        name."""
        with translated_reading(self.path):
            rows = self._rows("SELECT * FROM attempt WHERE test_id = ?", test_id)
            if rows:
                raw = self._rows("SELECT body FROM raw WHERE test_id = ?", test_id)
                return replace(
                    attempt_of(rows[0], self._flags("WHERE test_id = ?", test_id).get(test_id, ())),
                    seconds=tuple(self.seconds(test_id)),
                    observations=tuple(self.observations(test_id)),
                    raw=raw[0]["body"] if raw else None,
                )
        raise StoreError(f"There is no attempt {test_id} in {self.path}.")

    def seconds(self, test_id: str) -> list[SecondRecord]:
        """The seconds of one attempt, in order; empty when it never got to its measuring window."""
        with translated_reading(self.path):
            rows = self._rows("SELECT * FROM second WHERE test_id = ? ORDER BY second", test_id)
            return [second_of(row) for row in rows]

    def observations(self, test_id: str) -> list[Observation]:
        """What the observers of one attempt wrote, in their order; empty when nobody looked on."""
        with translated_reading(self.path):
            rows = self._rows("SELECT * FROM observation WHERE test_id = ? ORDER BY sequence", test_id)
            return [observation_of(row) for row in rows]

    def baselines(self) -> list[BaselineRecord]:
        """Every wired baseline of the site in the order in which it was measured: the newest is the last."""
        with translated_reading(self.path):
            return [baseline_of(row) for row in self._rows("SELECT * FROM baseline ORDER BY sequence")]

    def facts(self, visit_id: str | None = None) -> list[Facts]:
        """Every attempt of a visit, or of the site, with its visit and turn, in the order in which it ran, with flags,
        without the rest of its detail."""
        return self._facts("") if visit_id is None else self._facts("WHERE attempt.visit_id = ?", visit_id)

    def each_fact(self) -> Iterator[Facts]:
        """The same, read some hundreds at a time: however many there are, few are in memory."""
        last = 0
        while True:
            with translated_reading(self.path):
                ends = self._rows(
                    "SELECT max(sequence) AS last FROM (SELECT sequence FROM attempt WHERE sequence > ? "
                    "ORDER BY sequence LIMIT ?)",
                    last, _ATTEMPTS_AT_A_TIME,
                )[0]["last"]  # fmt: skip
            if ends is None:
                return
            yield from self._facts("WHERE attempt.sequence > ? AND attempt.sequence <= ?", last, ends)
            last = ends

    def _facts(self, where: str, *values: Any) -> list[Facts]:
        """Read the attempts that a condition names, and of the other tables what belongs to them alone."""

        def of(column: str, named_by: str) -> str:
            return f"WHERE {column} IN (SELECT attempt.{named_by} FROM attempt {where})" if where else ""  # noqa: S608

        with translated_reading(self.path):
            with self._one_state():  # a run waits meanwhile: what can be done with the rows in hand is done afterwards
                attempts = self._rows(f"SELECT {_ATTEMPT} FROM attempt {where} ORDER BY sequence", *values)  # noqa: S608
                flags = self._flags(of("test_id", "test_id"), *values)
                visits = self._rows(f"SELECT * FROM visit {of('visit_id', 'visit_id')}", *values)  # noqa: S608
                turns = self._rows(f"SELECT * FROM turn {of('sequence', 'turn_sequence')}", *values)  # noqa: S608
            visit_by_id = {row["visit_id"]: visit_of(row) for row in visits}
            turn_by_sequence = {row["sequence"]: turn_of(row) for row in turns}
            return [
                Facts(
                    visit_by_id[row["visit_id"]],
                    turn_by_sequence.get(row["turn_sequence"]),
                    attempt_of(row, flags.get(row["test_id"], ())),
                )
                for row in attempts
            ]

    def _flags(self, where: str, *values: Any) -> Mapping[str, tuple[Flag, ...]]:
        found: defaultdict[str, tuple[Flag, ...]] = defaultdict(tuple)
        for row in self._rows(f"SELECT * FROM flag {where} ORDER BY sequence", *values):  # noqa: S608
            found[row["test_id"]] += (flag_of(row),)
        return found

    def _rows(self, question: str, *values: Any) -> list[sqlite3.Row]:
        return self._connection.execute(question, values).fetchall()

    def _one_state(self) -> "_OneState":
        return _OneState(self._connection)


class _OneState:
    """A read transaction: all questions inside are answered from the same state of the file."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def __enter__(self) -> None:
        self._connection.execute("BEGIN")

    def __exit__(self, *_: object) -> None:
        self._connection.execute("COMMIT")
