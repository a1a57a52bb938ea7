"""A against B: the log ratio of their geometric means, and how surely it differs from none or stays inside the margin.

    v_x = max(var(x), 0.01^2) / n_x        estimate = mean b - mean a       se = sqrt(v_a + v_b)
    df  = (v_a + v_b)^2 / (v_a^2/(n_a - 1) + v_b^2/(n_b - 1))               Welch 1947, Satterthwaite 1946

Promises: equal to ``scipy.stats.ttest_ind(b, a, equal_var=False)`` and ``statsmodels ... ttost_ind(b, a, -D, D,
usevar="unequal")`` to 1e-9 where the SD floor does not act. May import sitetest.stats.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log1p, sqrt

from sitetest.stats.case_estimate import floored_error
from sitetest.stats.clip import ClippedCase, clip_pair
from sitetest.stats.rules import MIN_TURNS
from sitetest.stats.student_t import LogRatio

METHOD = "ratio of geometric means of turns, Welch t on logs"


@dataclass(frozen=True, slots=True)
class PairTest:
    """One comparison at one time.

    ratio: the estimate after clipping; raw: without it. a, b: the clipped cases. p_difference: of "no difference";
    p_equivalence: of "differ by the margin or more".
    """

    ratio: LogRatio
    raw: LogRatio
    a: ClippedCase
    b: ClippedCase
    p_difference: float
    p_equivalence: float

    @property
    def flagged(self) -> bool:
        """Whether any value of either case is flagged as an outlier."""
        return bool(self.a.flagged or self.b.flagged)

    @property
    def clipped(self) -> bool:
        """Whether any value was moved."""
        return self.a.clipped or self.b.clipped


def margin_log(margin: float) -> float:
    """Return D = ln(1 + margin) for a margin as a share (0.10 is a factor of 1.10 either way)."""
    return log1p(margin)


def welch(a: Sequence[float], b: Sequence[float]) -> LogRatio:
    """Return ln(B/A) from the log values of at least 2 turns in each case, with the SD floor."""
    n_a, n_b = len(a), len(b)
    mean_a, v_a = floored_error(a)
    mean_b, v_b = floored_error(b)
    df = (v_a + v_b) ** 2 / (v_a * v_a / (n_a - 1) + v_b * v_b / (n_b - 1))
    return LogRatio(mean_b - mean_a, sqrt(v_a + v_b), df, n_a, n_b, METHOD)


def compare_logs(a: Sequence[float], b: Sequence[float], margin: float) -> PairTest | None:
    """Clip the log values of two cases and test both questions; None when one has fewer than 3 values."""
    if min(len(a), len(b)) < MIN_TURNS:
        return None
    clipped_a, clipped_b = clip_pair(a, b)
    ratio = welch(clipped_a.logs, clipped_b.logs)
    raw = welch(a, b) if clipped_a.clipped or clipped_b.clipped else ratio
    return PairTest(ratio, raw, clipped_a, clipped_b, ratio.p_different(), ratio.p_equivalent(margin_log(margin)))
