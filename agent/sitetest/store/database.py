"""The store that a run writes to: every fact on disk before the call returns, and `results.csv` kept up to date.

Promises: one transaction an attempt; what is kept never changes and is never deleted; one writer a site; a full disk
does not cost the attempt in hand. A killed process leaves a whole file: the attempt that ran is in it as interrupted.

Implements the visit's `Keeper` by its shape. Calls are synchronous, take a few milliseconds and
belong to one thread. May import the rest of this room, errors and the standard library only.
"""

import contextlib
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from sitetest import __version__
from sitetest.errors import StoreError, StoreFull
from sitetest.store import opening
from sitetest.store.reading import TABLE_NAME, StoreReader
from sitetest.store.records import (
    AttemptRecord,
    BaselineRecord,
    EventRecord,
    Flag,
    TurnRecord,
    VisitRecord,
    WatchSecondRecord,
)
from sitetest.store.reserve import Reserve
from sitetest.store.rows import (
    ATTEMPT_COLUMNS,
    BASELINE_COLUMNS,
    EVENT_COLUMNS,
    FLAG_COLUMNS,
    OBSERVATION_COLUMNS,
    SECOND_COLUMNS,
    TURN_COLUMNS,
    VISIT_COLUMNS,
    WATCH_SECOND_COLUMNS,
    attempt_to_row,
    second_to_row,
    time_text,
    to_row,
)
from sitetest.store.site_lock import SiteLock
from sitetest.store.sqlite_errors import disk_full, not_writable, translated
from sitetest.store.tidy_file import TidyFile


def _utc_now() -> datetime:
    return datetime.now(UTC)


def _insert(table: str, columns: tuple[str, ...]) -> str:
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join(':' + name for name in columns)})"  # noqa: S608


_INSERT_VISIT = _insert("visit", VISIT_COLUMNS)
_INSERT_TURN = _insert("turn", TURN_COLUMNS)
_INSERT_ATTEMPT = _insert("attempt", (*ATTEMPT_COLUMNS, "settled", "turn_sequence"))
_INSERT_SECOND = _insert("second", ("test_id", *SECOND_COLUMNS))
_INSERT_RAW = "INSERT INTO raw (test_id, body) VALUES (:test_id, :raw)"
_INSERT_OBSERVATION = _insert("observation", ("test_id", *OBSERVATION_COLUMNS))
_INSERT_BASELINE = _insert("baseline", BASELINE_COLUMNS)
_INSERT_FLAG = _insert("flag", ("test_id", *FLAG_COLUMNS))
_INSERT_EVENT = _insert("event", EVENT_COLUMNS)
_INSERT_WATCH_SECOND = _insert("watch_second", ("visit_id", *WATCH_SECOND_COLUMNS))
_SETTLE_ATTEMPT = (
    f"UPDATE attempt SET {', '.join(f'{name} = :{name}' for name in ATTEMPT_COLUMNS)}, settled = 1 "  # noqa: S608
    "WHERE test_id = :test_id AND settled = 0"
)
_TURN_OF = "SELECT max(sequence) FROM turn WHERE visit_id = :visit_id AND turn = :turn"


SOAK_TABLE_BEHIND_S = 300.0
"""How far results.csv may fall behind while a soak runs: it is copied each time, and nobody is there to look at it."""

ANNOUNCING_BYTES = 256 * 1024
"""Room beside the reserve in which an attempt can be announced: some pages, and as much again for the journal."""


class Store(StoreReader):
    """The results of one site, open for writing. Close it, or use it as a context manager."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        lock: SiteLock,
        table_behind_s: float,
        clock: Callable[[], float],
    ) -> None:
        super().__init__(connection, path)
        self._lock = lock
        self._table = TidyFile(path.with_name(TABLE_NAME), self.each_fact)
        self._table_behind_s = table_behind_s
        self._clock = clock
        self._table_at_s = clock()
        self._not_in_table: list[str] = []
        self._table_changed = False
        self._reserve = Reserve(path.parent)
        self._closed = False

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        create: bool,
        now: Callable[[], datetime] = _utc_now,
        writer_version: str = __version__,
        table_behind_s: float = 0.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> Self:
        """Open the store at ``path`` (``results/site.sqlite``) and hold the site's lock until :meth:`close`.

        create: make folder and store when there are none; a results.csv found there without a store is moved aside.
        table_behind_s: how far results.csv may fall behind; 0 brings it up to date with each attempt. clock: monotonic
        seconds, for that.

        Raises SiteBusy when another run writes there, StoreFull when there is no room, StoreNewer, StoreDamaged (the
        file stays as it is), StoreError when it does not exist and ``create`` is False or the folder is not writable.
        """
        if not create and not path.is_file():
            raise StoreError(
                f"There are no results yet: {path} does not exist.",
                "Start a run without --resume, or name the right folder with --site.",
            )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = SiteLock.take(path.parent, now())
        except OSError as problem:
            raise not_writable(path, problem.strerror or str(problem)) from problem
        try:
            if not path.exists():
                TidyFile(path.with_name(TABLE_NAME), tuple).set_aside()
                opening.create(path, time_text(now()), writer_version)
            store = cls(opening.open_for_writing(path, writer_version), path, lock, table_behind_s, clock)
        except OSError as problem:
            lock.release()
            raise not_writable(path, problem.strerror or str(problem)) from problem
        except BaseException:
            lock.release()
            raise
        try:
            store._take_reserve()
            store._table.write()
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Let go of the file, the reserve and the site's lock. May be called twice."""
        if self._closed:
            return  # the reserve may be another run's by now
        self._closed = True
        try:
            self._write_table()
        finally:
            super().close()
            self._reserve.give_up()
            self._lock.release()

    @property
    def table_problem(self) -> str | None:
        """Why results.csv is not up to date, a sentence for people; None when it is. Nothing is lost by it."""
        return self._table.problem

    def free_bytes(self) -> int:
        """Room that is left on the disk of the results, for the preflight."""
        return shutil.disk_usage(self.path.parent).free

    def begin_visit(self, visit: VisitRecord) -> None:
        """Keep the visit and its plan; before the first attempt. Raises StoreFull and then has changed nothing."""
        self._take_reserve()
        row = self._row(visit, VISIT_COLUMNS)
        self._commit(lambda connection: connection.execute(_INSERT_VISIT, row))

    def begin_turn(self, turn: TurnRecord) -> None:
        """Keep that a turn began; once more when a resumed visit begins it anew."""
        row = self._row(turn, TURN_COLUMNS)
        self._commit_from_reserve(lambda connection: connection.execute(_INSERT_TURN, row))

    def begin_attempt(self, record: AttemptRecord) -> None:
        """Keep that an attempt is about to run, as the ``interrupted`` record that it will be if the agent dies now.

        Raises StoreFull, and has then changed nothing, when what it will measure might not find room.
        """
        self._take_reserve()
        row = self._attempt_row(record, settled=False)
        self._commit(lambda connection: self._insert_attempt(connection, row))

    def end_attempt(self, record: AttemptRecord) -> None:
        """Keep the finished attempt with all its detail in place of what :meth:`begin_attempt` announced, in one
        transaction, and bring results.csv up to date (see :attr:`table_problem`).

        An attempt that took the last room is kept like any other; the next :meth:`begin_attempt` refuses. Raises
        StoreFull when it could not be kept even in the reserve: it then stays as announced. Raises StoreError, and has
        changed nothing, for an attempt that is already kept.
        """
        named = {"test_id": record.test_id}
        row = self._attempt_row(record, settled=True)
        seconds = [self._checked(second_to_row, record.test_id, second) for second in record.seconds]
        flags = [self._row(flag, FLAG_COLUMNS) | named for flag in record.flags]
        observations = [self._row(seen, OBSERVATION_COLUMNS) | named for seen in record.observations]
        raw = [] if record.raw is None else [self._checked(to_row, record, ("test_id", "raw"))]

        def write(connection: sqlite3.Connection) -> None:
            if connection.execute(_SETTLE_ATTEMPT, row).rowcount == 0:
                self._insert_attempt(connection, row)
            connection.executemany(_INSERT_SECOND, seconds)
            connection.executemany(_INSERT_FLAG, flags)
            connection.executemany(_INSERT_OBSERVATION, observations)
            connection.executemany(_INSERT_RAW, raw)

        try:
            self._commit_from_reserve(write)
        except StoreFull as problem:
            raise StoreFull(
                f"No room left on the disk of {self.path.parent}, not even in the reserve: the figures of the last "
                "attempt could not be kept. It stays in the results as interrupted; all attempts before it are whole.",
                "Free some space, then go on with `--resume`: that attempt is made again.",
            ) from problem
        self._not_in_table.append(record.test_id)
        self._write_table_when_due()

    def add_flag(self, test_id: str, flag: Flag) -> None:
        """Add a flag to an attempt that is already kept. Raises StoreError when there is no such attempt."""
        row = {**self._row(flag, FLAG_COLUMNS), "test_id": test_id}
        self._commit_from_reserve(lambda connection: connection.execute(_INSERT_FLAG, row))
        self._table_changed = True
        self._write_table_when_due()

    def add_event(self, event: EventRecord) -> None:
        """Keep something that happened."""
        row = self._row(event, EVENT_COLUMNS)
        self._commit_from_reserve(lambda connection: connection.execute(_INSERT_EVENT, row))

    def add_watch_seconds(self, visit_id: str, seconds: Sequence[WatchSecondRecord]) -> None:
        """Keep seconds of a soak's watch, in one transaction. Raises StoreFull, and has then changed nothing, when
        there is no room beside the reserve: that is for attempts and events."""
        rows = [self._row(second, WATCH_SECOND_COLUMNS) | {"visit_id": visit_id} for second in seconds]
        self._take_reserve()
        self._commit(lambda connection: connection.executemany(_INSERT_WATCH_SECOND, rows))

    def has_room(self) -> bool:
        """Whether another attempt could be kept now: takes the reserve back when there is room for it.

        Raises StoreError when the folder cannot be written to at all."""
        try:
            self._take_reserve()
        except StoreFull:
            return False
        return self.free_bytes() >= ANNOUNCING_BYTES

    def add_baseline(self, baseline: BaselineRecord) -> None:
        """Keep what the wire gave when the laptop stood on it. Raises StoreError for one that is already kept."""
        row = self._row(baseline, BASELINE_COLUMNS)
        self._commit_from_reserve(lambda connection: connection.execute(_INSERT_BASELINE, row))

    def end_visit(self, visit_id: str, at: datetime, outcome: str) -> None:
        """Keep how the visit ended; a resumed one ends again. Raises StoreError when there is no such visit."""

        def write(connection: sqlite3.Connection) -> None:
            changed = connection.execute(
                "UPDATE visit SET ended_at = ?, outcome = ? WHERE visit_id = ?", (time_text(at), outcome, visit_id)
            ).rowcount
            if changed == 0:
                raise StoreError(f"There is no visit {visit_id} in {self.path}.")

        self._commit_from_reserve(write)
        self._write_table()

    def _insert_attempt(self, connection: sqlite3.Connection, row: dict[str, Any]) -> None:
        began = connection.execute(_TURN_OF, row).fetchone()[0]
        connection.execute(_INSERT_ATTEMPT, {**row, "turn_sequence": began})

    def _write_table_when_due(self) -> None:
        if self._clock() - self._table_at_s >= self._table_behind_s:
            self._write_table()

    def _write_table(self) -> None:
        """Bring results.csv up to date, if it is not."""
        new, changed = self._not_in_table, self._table_changed
        if not new and not changed and self._table.problem is None:
            return
        self._not_in_table, self._table_changed, self._table_at_s = [], False, self._clock()
        if changed:
            self._table.write()
        else:
            self._table.add(one for test_id in new for one in self._facts("WHERE attempt.test_id = ?", test_id))

    def _take_reserve(self) -> None:
        try:
            taken = self._reserve.take()
        except OSError as problem:
            raise not_writable(self.path, problem.strerror or str(problem)) from problem
        if not taken:
            raise disk_full(self.path)

    def _commit_from_reserve(self, write: Callable[[sqlite3.Connection], object]) -> None:
        """Commit; when the disk is full, once more in the room of the reserve."""
        try:
            self._commit(write)
        except StoreFull:
            if not self._reserve.give_up():
                raise
            self._commit(write)

    def _commit(self, write: Callable[[sqlite3.Connection], object]) -> None:
        with translated(self.path), self._transaction():
            write(self._connection)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def _attempt_row(self, record: AttemptRecord, *, settled: bool) -> dict[str, Any]:
        return {**self._checked(attempt_to_row, record), "settled": int(settled)}

    def _row(self, record: object, columns: tuple[str, ...]) -> dict[str, Any]:
        return self._checked(to_row, record, columns)

    def _checked(self, convert: Callable[..., dict[str, Any]], *facts: object) -> dict[str, Any]:
        try:
            return convert(*facts)
        except ValueError as problem:
            raise StoreError(f"{self.path}: a record cannot be kept as it is: {problem}.") from problem
