"""Is what a site needs shown to be there? A bound is held against the end of the interval that could break it.

    at least   met: the lower end reaches it      not met: the upper end does not      else not shown
    at most    met: the upper end stays within    not met: the lower end is beyond     else not shown

The interval is that of `case_estimate.py`: t, 95 %, on the logarithms of the turns. Nothing is shown from fewer than 3
turns, nor while more than a quarter of the attempts are invalid. A case with a failed turn is never called met, and one
that keeps failing (`guards.failing`) is not met: a failure delivers less than any figure asks for.

Pure. May import sitetest.stats.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import log, sqrt

from sitetest.stats.case_estimate import CaseEstimate, estimate_case, floored_error
from sitetest.stats.guards import failing, too_many_invalid
from sitetest.stats.power import MOST_PLANNED_TURNS
from sitetest.stats.rules import MIN_TURNS
from sitetest.stats.student_t import quantile
from sitetest.stats.turns import CaseTurns

LEVEL = 0.95


class Fulfilment(StrEnum):
    """What can be said about a requirement."""

    MET = "met"
    NOT_MET = "not met"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Finding:
    """One requirement against one case.

    n: turns with a value. typical, low, high: geometric mean of the turns and its 95 % interval, in the unit of the
    requirement; None from fewer than 3. why: in words, empty where the interval says it all. turns_needed: turns of a
    new visit that would show it one way or the other, at the mean and spread seen: a rough figure; None when that is no
    matter of turns, or when it would take more than anybody plans.
    """

    fulfilment: Fulfilment
    n: int
    typical: float | None = None
    low: float | None = None
    high: float | None = None
    why: str = ""
    turns_needed: int | None = None


def at_least(wanted_mbps: float, case: CaseTurns) -> Finding:
    """Hold a least throughput against the turns of a case."""
    estimate = estimate_case(case.logs, LEVEL)
    stopped = _stopped(case, estimate, len(case.logs))
    if stopped is not None or estimate is None:
        return stopped or _few(case.logs)
    if estimate.high_mbps < wanted_mbps:
        return _found(Fulfilment.NOT_MET, estimate)
    if estimate.low_mbps >= wanted_mbps:
        return _unless_failed(case, estimate)
    return _found(Fulfilment.NOT_SHOWN, estimate, _WITHIN, _turns_needed(case.logs, log(wanted_mbps)))


def at_most(wanted_ms: float, logs_ms: Sequence[float], case: CaseTurns) -> Finding:
    """Hold a greatest round-trip time against the turns of a case.

    logs_ms: ln(ms) of each turn that has a value. case: its turns as for throughput: a turn that was valid and has no
    round-trip time keeps the answer from being "met", since nobody knows what it was.
    """
    estimate = estimate_case(logs_ms, LEVEL)
    stopped = _stopped(case, estimate, len(logs_ms))
    if stopped is not None or estimate is None:
        return stopped or _few(logs_ms)
    if estimate.low_mbps > wanted_ms:
        return _found(Fulfilment.NOT_MET, estimate)
    missing = len(case.valid_turns) - len(logs_ms)
    if estimate.high_mbps <= wanted_ms and missing > 0:
        return _found(Fulfilment.NOT_SHOWN, estimate, f"{missing} of {len(case.valid_turns)} turns have no such figure")
    if estimate.high_mbps <= wanted_ms:
        return _unless_failed(case, estimate)
    return _found(Fulfilment.NOT_SHOWN, estimate, _WITHIN, _turns_needed(logs_ms, log(wanted_ms)))


_WITHIN = "what is needed lies within the interval"


def _stopped(case: CaseTurns, estimate: CaseEstimate | None, n: int) -> Finding | None:
    if too_many_invalid(case):
        fulfilment, why = Fulfilment.NOT_SHOWN, f"{case.invalid} of {case.attempts} attempts were invalid"
    elif len(case.turns) >= MIN_TURNS and failing(case):
        fulfilment, why = Fulfilment.NOT_MET, f"{case.failed} of {len(case.turns)} turns failed"
    else:
        return None
    return Finding(fulfilment, n, why=why) if estimate is None else _found(fulfilment, estimate, why)


def _few(logs: Sequence[float]) -> Finding:
    return Finding(
        Fulfilment.NOT_SHOWN, len(logs), why=f"an interval needs {MIN_TURNS} turns with a value",
        turns_needed=MIN_TURNS,
    )  # fmt: skip


def _unless_failed(case: CaseTurns, estimate: CaseEstimate) -> Finding:
    if case.failed:
        return _found(Fulfilment.NOT_SHOWN, estimate, f"{case.failed} of {len(case.turns)} turns failed")
    return _found(Fulfilment.MET, estimate)


def _found(fulfilment: Fulfilment, estimate: CaseEstimate, why: str = "", turns_needed: int | None = None) -> Finding:
    return Finding(
        fulfilment, estimate.n, estimate.value_mbps, estimate.low_mbps, estimate.high_mbps, why, turns_needed
    )


def _turns_needed(logs: Sequence[float], bound: float) -> int | None:
    """Return the smallest number of turns whose interval, at this mean and spread, would leave the bound outside."""
    mean, squared_error = floored_error(logs)
    sd = sqrt(squared_error * len(logs))
    for turns in range(len(logs) + 1, MOST_PLANNED_TURNS + 1):
        if quantile(1 - (1 - LEVEL) / 2, turns - 1) * sd / sqrt(turns) < abs(mean - bound):
            return turns
    return None
