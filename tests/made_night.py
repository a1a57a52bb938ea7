"""Nights of an invented soak as the store would have kept them, with whatever is planted in them.

    night = made_night(seed=1, step_at_h=4.0, step=-0.2, dropouts=((2.5, 12.0),))

Everything is drawn from a seed; every figure is made up. Values are lognormal around a level with AR(1) between
neighbours, as the generative model of the method's document has them. May import the store's records and nights.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import exp, log
from random import Random

from store_records import a_soak, a_turn, an_attempt

from sitetest.nights.night import Happening, Night, watch_columns
from sitetest.store.records import AttemptRecord, Doing, Status, TurnRecord, WatchSecondRecord
from sitetest.store.soak_events import Cause, OutageBegan, OutageEnded, PartBegan, SoakEvent

EVENING = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
SOAK_ID = "soak-1"


def at_h(hours: float) -> datetime:
    """Return a time of the night, hours after its begin."""
    return EVENING + timedelta(hours=hours)


def outage(
    hours: float, length_s: float, cause: Cause = Cause.PATH, *, kept_while_it_lasted: bool = True
) -> list[Happening]:
    """Return the events of one outage."""
    began_at = at_h(hours)
    ended = Happening(began_at + timedelta(seconds=length_s), OutageEnded(began_at, length_s, 0.1, cause, "made up"))
    began = Happening(began_at + timedelta(seconds=1.5), OutageBegan(began_at))
    return [began, ended] if kept_while_it_lasted and length_s > 1.5 else [ended]


def a_series(
    hours: float,
    every_s: float,
    *,
    seed: int,
    level: Callable[[float], float] = lambda _: 300.0,
    cv: float = 0.06,
    phi: float = 0.3,
    direction: str = "download",
    ap_config: Callable[[float], str] = lambda _: "auto",
    failed: Sequence[int] = (),
    dips: Sequence[int] = (),
) -> tuple[AttemptRecord, ...]:
    """Return one test every ``every_s``; level: Mbit/s by hour; failed, dips (a third of the level): by number."""
    random, wander, records = Random(seed), 0.0, []
    one = an_attempt(visit_id=SOAK_ID, direction=direction, wall_s=14.0, raw=None, seconds=())
    for number in range(int(hours * 3600 / every_s)):
        hour = number * every_s / 3600
        wander = phi * wander + random.gauss(0, cv * (1 - phi**2) ** 0.5)
        value = level(hour) * exp(wander) * (1 / 3 if number in dips else 1)
        gone = number in failed
        records.append(
            replace(
                one,
                test_id=f"{direction}-{number}",
                repeat=number + 1,
                order_index=number + 1,
                ap_config=ap_config(hour),
                started_at=at_h(hour),
                status=Status.FAILED if gone else Status.OK,
                reason="nothing came through" if gone else "",
                throughput_mbps=None if gone else value,
                rtt_loaded_p50_ms=20.0,
                rtt_loaded_p95_ms=45.0,
            )
        )
    return tuple(records)


def watched(
    hours: float,
    outages: Sequence[Happening] = (),
    *,
    begin_h: float = 0.0,
    every_s: float = 1.0,
    doing: Callable[[float], Doing] = lambda _: Doing.NOTHING,
    probes: int = 10,
) -> list[WatchSecondRecord]:
    """Return the seconds of the watch from ``begin_h`` to ``hours``; each stands for ``every_s``. Within the outages
    nothing is answered."""
    away = [
        (one.event.began_at, one.event.began_at + timedelta(seconds=one.event.length_s))
        for one in outages
        if isinstance(one.event, OutageEnded)
    ]
    seconds = []
    for number in range(round((hours - begin_h) * 3600 / every_s)):
        hour = begin_h + number * every_s / 3600
        at = at_h(hour)
        up = not any(begin <= at < end for begin, end in away)
        seconds.append(
            WatchSecondRecord(
                at=at,
                offset_s=hour * 3600,
                length_s=every_s,
                doing=doing(hour),
                probes=probes,
                answered=probes if up else 0,
                rtt_p50_ms=2.0 if up and probes else None,
                rtt_max_ms=5.0 if up and probes else None,
                associated=True,
                rssi_dbm=-60.0,
            )
        )
    return seconds


def made_night(
    attempts: Sequence[AttemptRecord] = (),
    seconds: Sequence[WatchSecondRecord] = (),
    happenings: Sequence[Happening] = (),
    turns: Sequence[TurnRecord] | None = None,
    outcome: str | None = "complete",
) -> Night:
    """Return a night made of these; one turn from its begin where none are given."""
    first = Happening(EVENING, PartBegan(False, at_h(10), True, "made up"))
    own = [replace(a_turn(), visit_id=SOAK_ID, started_at=EVENING)] if turns is None else turns
    return Night(
        visit=a_soak(started_at=EVENING),
        outcome=outcome,
        turns=tuple(own),
        attempts=tuple(attempts),
        happenings=(first, *sorted(happenings, key=lambda one: one.at)),
        seconds=watch_columns(seconds),
    )


def happened(hours: float, event: SoakEvent) -> Happening:
    """Return an event at a time of the night."""
    return Happening(at_h(hours), event)


def falling(total: float, hours: float, start: float = 300.0) -> Callable[[float], float]:
    """Return a level that changes by a share over so many hours, evenly in logarithms."""
    return lambda hour: start * exp(log(1 + total) * hour / hours)


def stepping(at: float, change: float, start: float = 300.0) -> Callable[[float], float]:
    """Return a level that changes by a share at an hour."""
    return lambda hour: start * (1 + change if hour >= at else 1)
