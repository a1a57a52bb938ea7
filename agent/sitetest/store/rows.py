"""Records to and from rows of the store, by name. Pure.

A row that cannot be read back as what was written never gets in: no NaN (SQLite would keep it as NULL, which means "not
measured"), no time without zone. Text that is not valid Unicode (file names, output of commands) is kept with its odd
bytes written out, because a strange character must not cost an attempt.

May import the records and the standard library only.
"""

import json
import math
from collections.abc import Iterable
from dataclasses import fields
from datetime import UTC, datetime
from enum import Enum
from typing import Any, Protocol

from sitetest.store.records import (
    AttemptRecord,
    BaselineRecord,
    Doing,
    EventRecord,
    Flag,
    Observation,
    Purpose,
    SecondRecord,
    Status,
    TurnRecord,
    VisitKind,
    VisitRecord,
    WatchSecondRecord,
)


class Row(Protocol):
    """A row by column name: `sqlite3.Row`, or a mapping."""

    def __getitem__(self, key: str, /) -> Any: ...

    def keys(self) -> Iterable[str]: ...


VISIT_COLUMNS = tuple(field.name for field in fields(VisitRecord))
TURN_COLUMNS = tuple(field.name for field in fields(TurnRecord))
SECOND_COLUMNS = tuple(field.name for field in fields(SecondRecord))
FLAG_COLUMNS = tuple(field.name for field in fields(Flag))
EVENT_COLUMNS = tuple(field.name for field in fields(EventRecord))
OBSERVATION_COLUMNS = tuple(field.name for field in fields(Observation))
BASELINE_COLUMNS = tuple(field.name for field in fields(BaselineRecord))
WATCH_SECOND_COLUMNS = tuple(field.name for field in fields(WatchSecondRecord))
DETAIL = ("raw", "flags", "seconds", "observations")
"""Fields of an attempt that have tables of their own."""
ATTEMPT_COLUMNS = tuple(field.name for field in fields(AttemptRecord) if field.name not in DETAIL)

_TRUE_OR_FALSE = tuple(field.name for field in fields(AttemptRecord) if field.type == bool | None)


def time_text(at: datetime) -> str:
    """Return a time as ISO 8601, UTC, microseconds and offset: always 32 characters, so that texts sort as times.

    Raises ValueError for a time without zone.
    """
    if at.tzinfo is None:
        raise ValueError(f"a time without zone: {at.isoformat()}")
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _cell(value: Any) -> Any:
    if isinstance(value, datetime):
        return time_text(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a measurement; what was not measured is None")
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    return value


def to_row(record: object, columns: Iterable[str]) -> dict[str, Any]:
    """Return the named fields of a record as cells. Raises ValueError naming the field."""
    row = {}
    for name in columns:
        try:
            row[name] = _cell(getattr(record, name))
        except ValueError as problem:
            raise ValueError(f"{name}: {problem}") from problem
    return row


def attempt_to_row(attempt: AttemptRecord) -> dict[str, Any]:
    """Return the cells of an attempt, without what has tables of its own. Raises ValueError naming the field."""
    row = to_row(attempt, (name for name in ATTEMPT_COLUMNS if name != "unknown"))
    row["unknown"] = json.dumps(attempt.unknown)
    return row


def second_to_row(test_id: str, second: SecondRecord) -> dict[str, Any]:
    """Return the cells of one second. Raises ValueError."""
    row = to_row(second, (name for name in SECOND_COLUMNS if name != "stream_bytes"))
    row["test_id"] = test_id
    row["stream_bytes"] = json.dumps(second.stream_bytes, allow_nan=False)
    return row


def _picked(row: Row, columns: Iterable[str]) -> dict[str, Any]:
    return {name: row[name] for name in columns}


def _timed(row: Row, columns: Iterable[str], key: str) -> dict[str, Any]:
    return {**_picked(row, columns), key: datetime.fromisoformat(row[key])}


def visit_of(row: Row) -> VisitRecord:
    """Read a visit. Raises ValueError or TypeError when the row is not one."""
    cells = _timed(row, VISIT_COLUMNS, "started_at")
    return VisitRecord(**{**cells, "kind": VisitKind(cells["kind"])})


def turn_of(row: Row) -> TurnRecord:
    """Read a turn. Raises ValueError or TypeError when the row is not one."""
    return TurnRecord(**_timed(row, TURN_COLUMNS, "started_at"))


def event_of(row: Row) -> EventRecord:
    """Read an event. Raises ValueError or TypeError when the row is not one."""
    return EventRecord(**_timed(row, EVENT_COLUMNS, "at"))


def flag_of(row: Row) -> Flag:
    """Read a flag."""
    return Flag(**_picked(row, FLAG_COLUMNS))


def second_of(row: Row) -> SecondRecord:
    """Read a second. Raises ValueError or TypeError when the row is not one."""
    return SecondRecord(
        **{**_picked(row, SECOND_COLUMNS), "stream_bytes": tuple(map(float, json.loads(row["stream_bytes"])))}
    )


def observation_of(row: Row) -> Observation:
    """Read an observation."""
    return Observation(**_picked(row, OBSERVATION_COLUMNS))


def baseline_of(row: Row) -> BaselineRecord:
    """Read a wired baseline. Raises ValueError or TypeError when the row is not one."""
    return BaselineRecord(**_timed(row, BASELINE_COLUMNS, "measured_at"))


def watch_second_of(row: Row) -> WatchSecondRecord:
    """Read a second of the watch. Raises ValueError or TypeError when the row is not one."""
    cells = _timed(row, WATCH_SECOND_COLUMNS, "at")
    cells["doing"] = Doing(cells["doing"])
    cells["associated"] = None if cells["associated"] is None else bool(cells["associated"])
    return WatchSecondRecord(**cells)


def attempt_of(row: Row, flags: tuple[Flag, ...]) -> AttemptRecord:
    """Read an attempt, without the rest of its detail. Raises ValueError or TypeError when it is not one."""
    cells = _timed(row, ATTEMPT_COLUMNS, "started_at")
    cells["status"] = Status(cells["status"])
    cells["purpose"] = Purpose(cells["purpose"])
    cells["unknown"] = tuple(json.loads(cells["unknown"]))
    cells |= {name: bool(cells[name]) for name in _TRUE_OR_FALSE if cells[name] is not None}
    return AttemptRecord(**cells, flags=flags)
