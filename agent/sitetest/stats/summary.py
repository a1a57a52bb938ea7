"""The three figures of an end-of-run table: how many, what is typical, how much it spreads.

Typical is the median of the valid values. Spread is the *sample coefficient of variation on the log scale*:
s = standard deviation (n - 1) of ln(throughput), shown as 100 * sqrt(exp(s^2) - 1) per cent, which is the coefficient
of variation of a lognormal quantity (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 1, ch. 14). It
is deliberately not a robust one: a dip is part of how steady a case was. No interval and no verdict here; with n below
3 nothing of the kind can be said.

Pure. May import the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log, sqrt
from statistics import median, stdev


@dataclass(frozen=True, slots=True)
class Summary:
    """n: valid values. median_mbps: None when n is 0. spread_cv_pct: None when n is below 2."""

    n: int
    median_mbps: float | None
    spread_cv_pct: float | None


def summarise(throughputs_mbps: Sequence[float]) -> Summary:
    """Summarise the valid values of one case. Raises ValueError for values that are not finite and above zero."""
    for value in throughputs_mbps:
        if not isfinite(value) or value <= 0:
            raise ValueError(f"a valid throughput is finite and above zero, not {value} Mbit/s")
    n = len(throughputs_mbps)
    if n == 0:
        return Summary(0, None, None)
    spread = None
    if n > 1:
        log_sd = stdev([log(value) for value in throughputs_mbps])
        spread = 100 * sqrt(exp(log_sd**2) - 1)
    return Summary(n, median(throughputs_mbps), spread)
