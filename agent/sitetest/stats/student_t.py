"""Student's t: tails and quantiles, and an estimate on the log scale that follows it.

Promises: the same numbers as ``scipy.stats.t`` to 1e-9, at the cost of two special functions instead of a distribution
object (a campaign asks several hundred times). May import scipy.special.
"""

from dataclasses import dataclass
from math import exp

from scipy.special import stdtr, stdtrit


def upper_tail(t: float, df: float) -> float:
    """Return P(T > t) for Student's t with ``df`` > 0 degrees of freedom (not necessarily whole)."""
    return float(stdtr(df, -t))


def quantile(probability: float, df: float) -> float:
    """Return the value that Student's t with ``df`` degrees of freedom stays below with ``probability``."""
    return float(stdtrit(df, probability))


@dataclass(frozen=True, slots=True)
class RatioInterval:
    """A ratio of two throughputs with its interval.

    ratio, low, high: new over reference (B over A); 1 is "the same". level: coverage that the interval claims, 0..1.
    n_a, n_b: valid turns behind it. method: how it was made, in the trade's words.
    """

    ratio: float
    low: float
    high: float
    level: float
    n_a: int
    n_b: int
    method: str


@dataclass(frozen=True, slots=True)
class LogRatio:
    """ln(B/A) as an estimate that follows Student's t.

    estimate, se: natural log units, se > 0. df: Welch-Satterthwaite degrees of freedom. n_a, n_b: turns behind it (for
    a mean over several cases: the sums). method: how it was made.
    """

    estimate: float
    se: float
    df: float
    n_a: int
    n_b: int
    method: str

    def interval(self, level: float) -> RatioInterval:
        """Return the two-sided interval of B/A at ``level`` (0..1)."""
        half = quantile(1 - (1 - level) / 2, self.df) * self.se
        return RatioInterval(
            ratio=exp(self.estimate),
            low=exp(self.estimate - half),
            high=exp(self.estimate + half),
            level=level,
            n_a=self.n_a,
            n_b=self.n_b,
            method=self.method,
        )

    def p_different(self) -> float:
        """Return the two-sided p-value of "A and B are equal" (Welch 1947)."""
        return 2 * upper_tail(abs(self.estimate) / self.se, self.df)

    def p_above(self, bound: float) -> float:
        """Return the one-sided p-value of "ln(B/A) is at most ``bound``"; small when it is shown to lie above."""
        return upper_tail((self.estimate - bound) / self.se, self.df)

    def p_below(self, bound: float) -> float:
        """Return the one-sided p-value of "ln(B/A) is at least ``bound``"; small when it is shown to lie below."""
        return upper_tail((bound - self.estimate) / self.se, self.df)

    def p_equivalent(self, bound: float) -> float:
        """Return the p-value of "A and B differ by ``bound`` log units or more" (TOST, Schuirmann 1987)."""
        return max(self.p_above(-bound), self.p_below(bound))
