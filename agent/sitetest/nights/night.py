"""One soak as it was kept: everything that the analysis reads, read once.

May import store, nights, numpy and the standard library only.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from sitetest.store.reading import StoreReader
from sitetest.store.records import AttemptRecord, TurnRecord, VisitKind, VisitRecord, WatchSecondRecord
from sitetest.store.soak_events import SoakEvent, soak_event_of

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WatchColumns:
    """The seconds of the watch, one array a figure, all of one length and in order of time. at_s: begin, Unix time.
    Not a number: not known. doing: the words of :class:`~sitetest.store.records.Doing`."""

    at_s: Floats
    length_s: Floats
    doing: npt.NDArray[np.str_]
    probes: Floats
    answered: Floats
    rtt_p50_ms: Floats
    rtt_max_ms: Floats
    rssi_dbm: Floats

    def where(self, chosen: Mask) -> "WatchColumns":
        """Return some of the seconds."""
        return WatchColumns(*(getattr(self, field.name)[chosen] for field in fields(self)))


def watch_columns(seconds: Iterable[WatchSecondRecord]) -> WatchColumns:
    """Return seconds as columns."""
    rows = [
        (
            second.at.timestamp(),
            second.length_s,
            second.doing.value,
            second.probes,
            second.answered,
            second.rtt_p50_ms,
            second.rtt_max_ms,
            second.rssi_dbm,
        )
        for second in seconds
    ]
    rows.sort(key=lambda row: row[0])
    columns = list(zip(*rows, strict=True)) if rows else [()] * 8
    floats = [np.array(column, dtype=np.float64) for place, column in enumerate(columns) if place != 2]
    at_s, length_s, *figures = floats
    return WatchColumns(at_s, length_s, np.array(columns[2], dtype=np.str_), *figures)


@dataclass(frozen=True, slots=True)
class Happening:
    """An event of the soak. at: when it was kept."""

    at: datetime
    event: SoakEvent


@dataclass(frozen=True, slots=True)
class Night:
    """One soak. outcome: None while it runs, or when the agent died. ends_at: the last that is known of it."""

    visit: VisitRecord
    outcome: str | None
    turns: tuple[TurnRecord, ...]
    attempts: tuple[AttemptRecord, ...]
    happenings: tuple[Happening, ...]
    seconds: WatchColumns

    @property
    def begins_at(self) -> datetime:
        """When it began."""
        return self.visit.started_at

    @property
    def ends_at(self) -> datetime:
        """End of the last thing that was kept."""
        known = [self.begins_at]
        known += [one.started_at + timedelta(seconds=one.wall_s) for one in self.attempts]
        known += [one.at for one in self.happenings]
        if len(self.seconds.at_s):
            last_s = float(self.seconds.at_s[-1] + self.seconds.length_s[-1])
            known.append(datetime.fromtimestamp(last_s, UTC))
        return max(known)

    @property
    def ap_configs(self) -> tuple[str, ...]:
        """Every AP config that was applied or tested, in the order in which it first was."""
        names = [turn.ap_config for turn in self.turns] + [one.ap_config for one in self.attempts]
        return tuple(dict.fromkeys(names))

    def applied(self, times_s: Floats) -> npt.NDArray[np.str_]:
        """Return which AP config was applied at each Unix time; empty before the first turn."""
        starts_s = np.array([turn.started_at.timestamp() for turn in self.turns])
        names = np.array(["", *(turn.ap_config for turn in self.turns)], dtype=np.str_)
        return names[np.searchsorted(starts_s, times_s, side="right")]


def read_night(store: StoreReader, visit: VisitRecord) -> Night:
    """Read one soak. Raises StoreDamaged, and ValueError for an event that is not as it should be."""
    kept = store.events(visit.visit_id)
    happenings = [Happening(record.at, event) for record in kept if (event := soak_event_of(record)) is not None]
    return Night(
        visit=visit,
        outcome=store.outcome(visit.visit_id),
        turns=tuple(store.turns(visit.visit_id)),
        attempts=tuple(store.attempts(visit.visit_id)),
        happenings=tuple(happenings),
        seconds=watch_columns(store.watch_seconds(visit.visit_id)),
    )


def soaks(visits: Sequence[VisitRecord], profile: str | None = None) -> list[VisitRecord]:
    """Return the soaks among visits, of one profile or of all, in the order in which they began."""
    return [one for one in visits if one.kind is VisitKind.SOAK and profile in (None, one.profile)]
