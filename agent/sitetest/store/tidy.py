"""The tidy tables: one row an attempt, a second, an observation and so on, made from the registry. Without pandas.

How a value is written as text, in every CSV that leaves this house:

    not measured   an empty cell; so is an empty text
    number         in full: reading it as a 64-bit float gives exactly what the store has; nothing is rounded
    time           ISO 8601 in UTC with microseconds and offset
    true, false    counted
    list           items separated by ``;``
    text           line breaks and other control characters become a space, so that one row is one line; a text that a
                   spreadsheet would take for a formula (it begins with = + - @) gets an apostrophe in front, and so
                   does one that begins with apostrophes before such a character, so that :func:`unguarded` is exact

Lines end in CRLF and quoting is RFC 4180's; UTF-8 without byte order mark. May import the registry, the records and the
standard library only.
"""

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter

from sitetest.store.fields import (
    ATTEMPT_FIELDS,
    BASELINE_FIELDS,
    EVENT_FIELDS,
    SCHEMA_VERSION,
    SECOND_FIELDS,
    WATCH_SECOND_FIELDS,
    Field,
)
from sitetest.store.records import (
    AttemptRecord,
    BaselineRecord,
    EventRecord,
    Observation,
    SecondRecord,
    Status,
    TurnRecord,
    VisitRecord,
    WatchSecondRecord,
)
from sitetest.store.rows import SECOND_COLUMNS, time_text

Value = str | int | float | bool | datetime | None

_FORMULA = re.compile("'*[=+\\-@\uff1d\uff0b\uff0d\uff20]")  # the last four: full-width forms, which some take too
_CONTROL = re.compile("[\x00-\x1f\x7f\x80-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True)
class Facts:
    """An attempt with what it hangs on. turn: as it really began; None when its start was never kept."""

    visit: VisitRecord
    turn: TurnRecord | None
    attempt: AttemptRecord


def is_counted(attempt: AttemptRecord) -> bool:
    """Whether the throughput of an attempt enters the estimates: ok, and no flag but notes.

    An outlier is only noted: it is never dropped (docs/method.md).
    """
    return attempt.status is Status.OK and all(flag.severity == "note" for flag in attempt.flags)


def link_source(visit: VisitRecord, attempt: AttemptRecord) -> str:
    """Where the radio columns of an attempt come from; ``simulated`` for any attempt that no radio was read beside and
    that went over a simulated link."""
    return "simulated" if visit.simulated is not None and attempt.link_source == "none" else attempt.link_source


def _of_turn(name: str) -> Callable[[Facts], Value]:
    def read(facts: Facts) -> Value:
        value: Value = None if facts.turn is None else getattr(facts.turn, name)
        return value

    return read


_ELSEWHERE: Mapping[str, Callable[[Facts], Value]] = {
    **{name: attrgetter(f"visit.{name}") for name in ("site", "client", "profile", "sitetest_version", "seed")},
    **{name: _of_turn(name) for name in ("quad", "association", "switched")},
    "switch_back_s": _of_turn("back_s"),
    "simulated": lambda facts: facts.visit.simulated,
    "status": lambda facts: facts.attempt.status.value,
    "purpose": lambda facts: facts.attempt.purpose.value,
    "flags": lambda facts: ";".join(dict.fromkeys(flag.name for flag in facts.attempt.flags)),
    "counted": lambda facts: is_counted(facts.attempt),
    "link_source": lambda facts: link_source(facts.visit, facts.attempt),
    "unknown": lambda facts: ";".join(facts.attempt.unknown),
    "visit_kind": lambda facts: facts.visit.kind.value,
    "schema_version": lambda _: SCHEMA_VERSION,
}
"""Columns that are not simply a field of the attempt."""

_READERS: tuple[Callable[[Facts], Value], ...] = tuple(
    _ELSEWHERE.get(field.name) or attrgetter(f"attempt.{field.name}") for field in ATTEMPT_FIELDS
)


def attempt_values(facts: Facts) -> tuple[Value, ...]:
    """Return the values of one row of the tidy table, in the order of ATTEMPT_FIELDS; None is not measured."""
    return tuple(read(facts) for read in _READERS)


def second_values(attempt: AttemptRecord, second: SecondRecord) -> tuple[Value, ...]:
    """Return the values of one row of the seconds table, in the order of SECOND_FIELDS; None is not measured."""
    own: dict[str, Value] = {
        **{name: getattr(second, name) for name in SECOND_COLUMNS},
        "stream_bytes": ";".join(number_text(count) for count in second.stream_bytes),
    }
    return tuple(own[name] if name in own else getattr(attempt, name) for name in (f.name for f in SECOND_FIELDS))


def observation_values(attempt: AttemptRecord, seen: Observation) -> tuple[Value, ...]:
    """Return the values of one row of the observations table, in the order of OBSERVATION_FIELDS."""
    return (attempt.test_id, seen.kind, seen.at_s, seen.body)


def baseline_values(baseline: BaselineRecord) -> tuple[Value, ...]:
    """Return the values of one row of the baselines table, in the order of BASELINE_FIELDS; None is not known."""
    return tuple(getattr(baseline, field.name) for field in BASELINE_FIELDS)


def watch_second_values(visit_id: str, second: WatchSecondRecord) -> tuple[Value, ...]:
    """Return the values of one row of the watch seconds table, in the order of its fields; None is not known."""
    own: dict[str, Value] = {"visit_id": visit_id, "doing": second.doing.value}
    return tuple(own[f.name] if f.name in own else getattr(second, f.name) for f in WATCH_SECOND_FIELDS)


def event_values(event: EventRecord) -> tuple[Value, ...]:
    """Return the values of one row of the events table, in the order of EVENT_FIELDS."""
    return tuple(getattr(event, field.name) for field in EVENT_FIELDS)


def number_text(value: float) -> str:
    """Return the shortest decimal that reads back as the same float; whole numbers without a fraction."""
    if value == int(value) and abs(value) < 2**53:  # below, every whole number is a float
        return str(int(value))
    return repr(value).replace("e", "E")  # XML Schema and Table Schema write the exponent with E


def cell_text(value: Value) -> str:
    """Return a value as a cell, by the rules above."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, datetime):
        return time_text(value)
    text = _CONTROL.sub(" ", value)
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """Take away the apostrophe that :func:`cell_text` put in front of a text."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def csv_line(cells: Iterable[str]) -> str:
    """Return one record as RFC 4180 has it, CRLF included."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()


def header_line(fields: Sequence[Field]) -> str:
    """Return the line of column names."""
    return csv_line(field.name for field in fields)


def attempt_line(facts: Facts) -> str:
    """Return the line of one attempt."""
    return csv_line(map(cell_text, attempt_values(facts)))


def csv_rows(rows: Iterable[Sequence[Value]]) -> str:
    """Return the lines of some rows."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(map(cell_text, values) for values in rows)
    return text.getvalue()
