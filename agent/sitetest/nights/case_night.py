"""One case through a night: how its tests went, and what its level did.

Failed tests are results and are counted; invalid and interrupted ones say nothing about the case and are counted apart.
The level is judged over the tests of one AP config: where several take turns, the time between its turns is missing by
design, and a step may have come at any time in it.

Times of day are of the zone that is passed in. Pure. May import store, stats, nights and the standard library.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise
from statistics import median

from sitetest.nights.percentiles import Percentiles, percentiles
from sitetest.stats.levels import Levels
from sitetest.stats.rates import Rate
from sitetest.stats.soak import SoakTest, judge_soak
from sitetest.store.records import AttemptRecord, Status

CaseKey = tuple[str, str, str, str]
"""AP config, leg, engine, direction."""


@dataclass(frozen=True, slots=True)
class DipSeen:
    """One test far below what was usual just before and after. flags: what stood beside it."""

    at: datetime
    throughput_mbps: float
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StepSeen:
    """A lasting change. at: begin of the first test after it, as far as can be told best. between: it lies between
    these with 95 % (`stats/levels.py`). change: a share, -0.15 is 15 % lower. before_mbps, after_mbps: medians of the
    tests on either side, up to the next step."""

    at: datetime
    between: tuple[datetime, datetime]
    change: float
    before_mbps: float
    after_mbps: float


@dataclass(frozen=True, slots=True)
class CaseNight:
    """failed: of all tests that say something. dip_rate: of those with a value. invalid: reasons with their counts.
    doubtful: valid tests beside which something stood that may explain them; they are part of the night. levels: None
    when the series is too short, and too_short says so. hourly_mbps: local hour -> median of its valid tests."""

    key: CaseKey
    tests: int
    failed: Rate | None
    invalid: tuple[tuple[str, int], ...]
    interrupted: int
    doubtful: int
    throughput_mbps: Percentiles | None
    rtt_loaded_p50_ms: Percentiles | None
    rtt_loaded_p95_ms: Percentiles | None
    dip_rate: Rate | None
    dips: tuple[DipSeen, ...]
    levels: Levels | None
    steps: tuple[StepSeen, ...]
    too_short: str | None
    hourly_mbps: tuple[tuple[int, float], ...]


def case_nights(attempts: Sequence[AttemptRecord], zone: tzinfo | None, margin: float) -> tuple[CaseNight, ...]:
    """Return every case of a night. zone: of the times of day; None for the laptop's. margin: share below which a
    lasting change is of no practical interest."""
    by_case: dict[CaseKey, list[AttemptRecord]] = {}
    for one in sorted(attempts, key=lambda record: record.started_at):
        by_case.setdefault((one.ap_config, one.leg, one.engine, one.direction), []).append(one)
    return tuple(_case(key, records, zone, margin) for key, records in by_case.items())


def _case(key: CaseKey, records: Sequence[AttemptRecord], zone: tzinfo | None, margin: float) -> CaseNight:
    valid = [one for one in records if _is_valid(one)]
    judged = [one for one in records if one.status is Status.FAILED or _is_valid(one)]
    invalid = Counter(one.reason for one in records if one.status is Status.INVALID)
    series = [SoakTest(_hours(one, judged[0]), one.throughput_mbps if _is_valid(one) else None) for one in judged]
    result = judge_soak(series, margin) if series else None
    at = {_hours(one, judged[0]): one for one in judged}
    return CaseNight(
        key=key,
        tests=len(judged),
        failed=None if result is None else result.dropouts,
        invalid=tuple(sorted(invalid.items(), key=lambda entry: (-entry[1], entry[0]))),
        interrupted=sum(one.status is Status.INTERRUPTED for one in records),
        doubtful=sum(any(flag.severity == "doubt" for flag in one.flags) for one in valid),
        throughput_mbps=percentiles([one.throughput_mbps for one in valid]),
        rtt_loaded_p50_ms=percentiles([one.rtt_loaded_p50_ms for one in valid]),
        rtt_loaded_p95_ms=percentiles([one.rtt_loaded_p95_ms for one in valid]),
        dip_rate=None if result is None else result.dip_rate,
        dips=() if result is None else tuple(_dip(at[dip.at_h]) for dip in result.dips),
        levels=None if result is None else result.levels,
        steps=() if result is None or result.levels is None else _steps(result.levels, valid),
        too_short="no test says anything" if result is None else result.too_short,
        hourly_mbps=_hourly(valid, zone),
    )


def _is_valid(one: AttemptRecord) -> bool:
    return one.status is Status.OK and bool(one.throughput_mbps)


def _hours(one: AttemptRecord, first: AttemptRecord) -> float:
    return (one.started_at - first.started_at).total_seconds() / 3600


def _dip(one: AttemptRecord) -> DipSeen:
    assert one.throughput_mbps is not None
    flags = tuple(dict.fromkeys(flag.name for flag in one.flags if flag.name != "simulated"))
    return DipSeen(one.started_at, one.throughput_mbps, flags)


def _steps(levels: Levels, valid: Sequence[AttemptRecord]) -> tuple[StepSeen, ...]:
    borders = [0, *(step.test for step in levels.steps), len(valid)]
    medians = [median(one.throughput_mbps or 0.0 for one in valid[begin:end]) for begin, end in pairwise(borders)]
    return tuple(
        StepSeen(
            valid[step.test].started_at,
            (valid[step.earliest - 1].started_at, valid[step.latest].started_at),
            step.change,
            medians[n],
            medians[n + 1],
        )
        for n, step in enumerate(levels.steps)
    )


def _hourly(valid: Sequence[AttemptRecord], zone: tzinfo | None) -> tuple[tuple[int, float], ...]:
    hours: Mapping[int, list[float]] = defaultdict(list)
    for one in valid:
        hours[one.started_at.astimezone(zone).hour].append(one.throughput_mbps or 0.0)
    return tuple((hour, median(values)) for hour, values in hours.items())
