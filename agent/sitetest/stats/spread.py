"""The spread between turns that cases have in common, and how surely it is known.

    variance = sum of squares about each case's own mean / sum of (n - 1)          of ln(Mbit/s)
    interval = variance x df / chi-squared quantiles of df                         (normal data; Snedecor and Cochran)
    CV       = sqrt(exp(variance) - 1)                                             (lognormal)

May import scipy.special and sitetest.stats.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import expm1, sqrt

from scipy.special import chdtri

from sitetest.stats.case_estimate import pooled_squares


@dataclass(frozen=True, slots=True)
class Spread:
    """cv: between turns, a share; low, high: its 95 % interval; freedom: degrees of freedom that it rests on."""

    cv: float
    low: float
    high: float
    freedom: int


def pooled_spread(cases: Iterable[Sequence[float]], level: float = 0.95) -> Spread | None:
    """Return the spread of ln(Mbit/s) within each case, pooled; None when no case has 2 values."""
    pooled = pooled_squares(cases)
    if pooled is None:
        return None
    squares, freedom = pooled
    tail = (1 - level) / 2
    # chdtri is the inverse of the upper tail
    return Spread(
        cv=sqrt(expm1(squares / freedom)),
        low=sqrt(expm1(squares / float(chdtri(freedom, tail)))),
        high=sqrt(expm1(min(squares / float(chdtri(freedom, 1 - tail)), 50.0))),
        freedom=freedom,
    )
