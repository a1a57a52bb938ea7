"""The tables that `sitetest export` makes: columns, key, and where the rows come from, a row at a time.

A long night's observations do not fit in memory at once; nothing here holds more than the attempts and the detail of
one of them. May import the rest of this room and the standard library only.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from sitetest.store.fields import (
    ATTEMPT_FIELDS,
    BASELINE_FIELDS,
    EVENT_FIELDS,
    OBSERVATION_FIELDS,
    SECOND_FIELDS,
    WATCH_SECOND_FIELDS,
    Field,
)
from sitetest.store.reading import StoreReader
from sitetest.store.tidy import (
    Facts,
    Value,
    attempt_values,
    baseline_values,
    event_values,
    observation_values,
    second_values,
    watch_second_values,
)

Row = Sequence[Value]


@dataclass(frozen=True, slots=True)
class ExportTable:
    """title: what a row is. primary_key: columns; empty when no columns tell rows apart. of_attempts: every row belongs
    to an attempt, by ``test_id``. rows: from the store and the attempts that the tables are to be about."""

    name: str
    title: str
    fields: tuple[Field, ...]
    primary_key: tuple[str, ...]
    of_attempts: bool
    rows: Callable[[StoreReader, Sequence[Facts]], Iterator[Row]]


def _attempts(_: StoreReader, facts: Sequence[Facts]) -> Iterator[Row]:
    return map(attempt_values, facts)


def _seconds(store: StoreReader, facts: Sequence[Facts]) -> Iterator[Row]:
    for attempt in (one.attempt for one in facts):
        for second in store.seconds(attempt.test_id):
            yield second_values(attempt, second)


def _observations(store: StoreReader, facts: Sequence[Facts]) -> Iterator[Row]:
    for attempt in (one.attempt for one in facts):
        for seen in store.observations(attempt.test_id):
            yield observation_values(attempt, seen)


def _baselines(store: StoreReader, _: Sequence[Facts]) -> Iterator[Row]:
    return map(baseline_values, store.baselines())


def _watch_seconds(store: StoreReader, _: Sequence[Facts]) -> Iterator[Row]:
    for visit in store.visits():
        for second in store.watch_seconds(visit.visit_id):
            yield watch_second_values(visit.visit_id, second)


def _events(store: StoreReader, _: Sequence[Facts]) -> Iterator[Row]:
    for visit in store.visits():
        yield from map(event_values, store.events(visit.visit_id))


EXPORT_TABLES = {
    table.name: table
    for table in (
        ExportTable("attempts", "One row an attempt", ATTEMPT_FIELDS, ("test_id",), False, _attempts),
        ExportTable("seconds", "One row a second of an attempt", SECOND_FIELDS, ("test_id", "second"), True, _seconds),
        ExportTable("observations", "One row a record of an observer", OBSERVATION_FIELDS, (), True, _observations),
        ExportTable("baselines", "One row a wired baseline", BASELINE_FIELDS, ("baseline_id",), False, _baselines),
        ExportTable(
            "watch_seconds", "One row a second of the watch of a soak", WATCH_SECOND_FIELDS, (), False, _watch_seconds
        ),
        ExportTable("events", "One row an event of a visit", EVENT_FIELDS, (), False, _events),
    )
}
"""By name, in the order in which they are written."""
