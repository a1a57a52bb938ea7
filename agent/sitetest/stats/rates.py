"""Counts: how often something happens, and whether it happens more often with one configuration.

May import scipy and statsmodels.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from scipy.stats import boschloo_exact, fisher_exact
from statsmodels.stats.proportion import proportion_confint

BOSCHLOO_MOST = 400
"""Trials up to which Boschloo's test is computed; its time grows with their cube (1000 and 1000 take 15 s)."""


@dataclass(frozen=True, slots=True)
class Rate:
    """count of n, as a share with its interval at ``level``."""

    share: float
    low: float
    high: float
    level: float
    count: int
    n: int
    method: str = "Clopper-Pearson"


def rate(count: int, n: int, level: float = 0.95) -> Rate:
    """Return ``count`` of ``n`` with its exact interval (Clopper and Pearson 1934).

    Raises ValueError for n < 1 or a count outside 0..n.
    """
    if n < 1 or not 0 <= count <= n:
        raise ValueError(f"a rate is a count within 0..n of at least 1, not {count} of {n}")
    low, high = proportion_confint(count, n, 1 - level, method="beta")
    return Rate(count / n, float(low), float(high), level, count, n)


@lru_cache(maxsize=1024)
def p_counts_differ(
    count_a: int, n_a: int, count_b: int, n_b: int, alternative: Literal["two-sided", "less"] = "two-sided"
) -> float:
    """Return Boschloo's exact p-value for "both rates are equal" (1970).

    ``less`` asks whether a's rate is below b's. 1 when nothing or everything was counted in both, or one has no trials.
    From more than 400 trials Fisher's exact p-value, which is never below Boschloo's and close to it there.
    """
    total = count_a + count_b
    if min(n_a, n_b) == 0 or total in (0, n_a + n_b):
        return 1.0
    table = [[count_a, count_b], [n_a - count_a, n_b - count_b]]
    test = boschloo_exact if n_a + n_b <= BOSCHLOO_MOST else fisher_exact
    return float(test(table, alternative=alternative).pvalue)
