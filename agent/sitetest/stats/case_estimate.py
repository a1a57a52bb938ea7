"""What one case delivers: geometric mean over its turns with a t interval, and when it is known well enough.

Promises: nothing is estimated from fewer than 3 turns. May import sitetest.stats.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, expm1, fsum, log1p, sqrt

from sitetest.stats.rules import MIN_TURNS
from sitetest.stats.sequences import squares_about, total
from sitetest.stats.student_t import quantile

SD_FLOOR = 0.01  # log units: measurement resolution; makes ties and zero variance harmless
PRECISION_LOOKS = (4, 6, 8, 10, 12)
_PRECISION_LEVEL = 0.97


@dataclass(frozen=True, slots=True)
class CaseEstimate:
    """value_mbps: geometric mean over ``n`` turns; low_mbps, high_mbps: its interval at ``level``; cv: between-turn
    coefficient of variation as a share of the mean (0.08 is 8 %), without the floor."""

    value_mbps: float
    low_mbps: float
    high_mbps: float
    level: float
    n: int
    cv: float
    method: str


def mean_and_variance(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean and the sample variance (ddof 1) of at least 2 values, independent of their order."""
    n = len(values)
    mean = total(values) / n
    return mean, squares_about(values, mean) / (n - 1)


def floored_error(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean and the squared standard error of log values, with the SD floor of 0.01."""
    mean, variance = mean_and_variance(values)
    return mean, max(variance, SD_FLOOR * SD_FLOOR) / len(values)


def coefficient_of_variation(logs: Sequence[float]) -> float:
    """Return the CV (share of the mean) of lognormal values from at least 2 of their logs."""
    return sqrt(expm1(mean_and_variance(logs)[1]))


def pooled_squares(cases: Iterable[Sequence[float]]) -> tuple[float, int] | None:
    """Return the squares of ln(Mbit/s) about the mean of each case, summed, and their degrees of freedom. None when no
    case has 2 values."""
    seen = [(len(logs) - 1, mean_and_variance(logs)[1]) for logs in cases if len(logs) > 1]
    if not seen:
        return None
    return fsum(degrees * variance for degrees, variance in seen), sum(degrees for degrees, _ in seen)


def pooled_cv(cases: Iterable[Sequence[float]]) -> float | None:
    """Return the CV (a share, 0.01 at least) that cases have in common: their variances of ln(Mbit/s) pooled by degrees
    of freedom. None when no case has 2 values."""
    pooled = pooled_squares(cases)
    return None if pooled is None else max(sqrt(expm1(pooled[0] / pooled[1])), SD_FLOOR)


def _half_width(logs: Sequence[float], level: float) -> tuple[float, float]:
    """Return the mean of the logs and the half-width of its t interval at ``level``, in log units."""
    mean, squared_error = floored_error(logs)
    return mean, quantile(1 - (1 - level) / 2, len(logs) - 1) * sqrt(squared_error)


def estimate_case(logs: Sequence[float], level: float = 0.95) -> CaseEstimate | None:
    """Return the estimate from ln(Mbit/s) of the turns, or None from fewer than 3: show the values only."""
    return _estimate(logs, level, level, "geometric mean of turns, t interval on logs")


def estimate_after_precision_stop(logs: Sequence[float]) -> CaseEstimate | None:
    """Return the estimate of a campaign of one configuration that stopped by ``precise_enough``.

    The 97 % t interval, reported as a 95 % one: stopping on the width makes the interval cover less than it says
    (94.6-97.5 % that way, 92.0-93.3 % with the 95 % interval). None from fewer than 3 turns.
    """
    return _estimate(
        logs, 0.95, _PRECISION_LEVEL, "geometric mean of turns, 97 % t interval on logs for the early stop"
    )


def _estimate(logs: Sequence[float], level: float, drawn_level: float, method: str) -> CaseEstimate | None:
    if len(logs) < MIN_TURNS:
        return None
    mean, half = _half_width(logs, drawn_level)
    return CaseEstimate(
        value_mbps=exp(mean),
        low_mbps=exp(mean - half),
        high_mbps=exp(mean + half),
        level=level,
        n=len(logs),
        cv=coefficient_of_variation(logs),
        method=method,
    )


def precise_enough(logs: Sequence[float], share: float = 0.05) -> bool:
    """Return whether the 97 % t interval lies within ``share`` of the estimate on both sides.

    The rule for a campaign of one configuration, asked at ``PRECISION_LOOKS`` turns. False below 3 turns.
    """
    return len(logs) >= MIN_TURNS and _half_width(logs, _PRECISION_LEVEL)[1] <= log1p(share)
