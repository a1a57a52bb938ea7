"""What an unattended series of tests may be said to show: rates, dips, and what the level did.

At least 96 tests over 4 hours for steps and drift; otherwise rates only. Failed tests are dropouts: they are counted
and have no value. Invalid ones are the caller's to leave out, and to count.

May import sitetest.stats.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, log

from sitetest.stats.dips import find_dips
from sitetest.stats.levels import Levels, judge_levels
from sitetest.stats.rates import Rate, rate
from sitetest.stats.rules import SOAK_FEWEST_TESTS, SOAK_SHORTEST_H


@dataclass(frozen=True, slots=True)
class SoakTest:
    """One test. at_h: hours since the first one. throughput_mbps: finite and above zero; None for a failed test."""

    at_h: float
    throughput_mbps: float | None


@dataclass(frozen=True, slots=True)
class Dip:
    """One dip. at_h: hours since the first test."""

    at_h: float
    throughput_mbps: float


@dataclass(frozen=True, slots=True)
class SoakResult:
    """tests, valid: counts; session_h: first to last. dropouts: of all tests; dip_rate: of those with a value, None
    when there are none. levels: None when the series is too short, and too_short says so."""

    tests: int
    valid: int
    session_h: float
    dropouts: Rate
    dip_rate: Rate | None
    dips: tuple[Dip, ...]
    levels: Levels | None
    too_short: str | None


def judge_soak(tests: Sequence[SoakTest], margin: float = 0.10) -> SoakResult:
    """Return what the series shows; the tests may come in any order.

    Raises ValueError for no tests at all, and for a value that is not finite and above zero.
    """
    if not tests:
        raise ValueError("a soak needs at least one test")
    ordered = sorted(tests, key=lambda test: test.at_h)
    measured = [(test.at_h, test.throughput_mbps) for test in ordered if test.throughput_mbps is not None]
    for at_h, value in measured:
        if not isfinite(value) or value <= 0:
            raise ValueError(f"the test at {at_h} h has {value} Mbit/s: a test without payload is a failed one")
    session_h = ordered[-1].at_h - ordered[0].at_h
    dropouts = rate(len(ordered) - len(measured), len(ordered))
    if not measured:
        return SoakResult(len(ordered), 0, session_h, dropouts, None, (), None, "no test has a value")
    found = find_dips([log(value) for _, value in measured])
    dips = tuple(Dip(*measured[i]) for i in found.positions)
    too_short = None
    if len(measured) < SOAK_FEWEST_TESTS or session_h < SOAK_SHORTEST_H:
        too_short = (
            f"{len(measured)} valid tests in {session_h:.1f} h; "
            f"steps and drift need {SOAK_FEWEST_TESTS} in {SOAK_SHORTEST_H:.0f} h"
        )
    return SoakResult(
        tests=len(ordered),
        valid=len(measured),
        session_h=session_h,
        dropouts=dropouts,
        dip_rate=rate(len(dips), len(measured)),
        dips=dips,
        levels=None if too_short else judge_levels(found.clipped, [at_h for at_h, _ in measured], margin),
        too_short=too_short,
    )
