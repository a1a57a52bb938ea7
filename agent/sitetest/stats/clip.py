"""The outlier rule of a comparison: flagged by a rule fixed beforehand, pulled in to the limit, never dropped.

    pair = 1.4826 x median(|a - med a| and |b - med b| pooled) / b_n      spread that both cases share
    own  = 1.4826 x median(|x - med x|) / c_n                            spread of one case
    flag when |x_i - med x| > max(3.5 x max(pair, own), ln 1.25)
    flagged values move to the limit, unless more than a fifth of the case's values are flagged

The guard of a fifth keeps a configuration with two levels from being straightened out: with frequent dips the dips are
what it delivers. The rule is two-sided and cannot know which configuration is which. The cut-off 3.5 is that of
Iglewicz and Hoaglin 1993 (NIST e-Handbook 1.3.5.17).

Constants and c_n are those of the rule for one case (`outliers.py`). Promises: a value is never left out and n never
changes. May import sitetest.stats.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.stats.outliers import FLOOR_LOG, MAD_TO_SD, ROUNDING_LOG, SCALES, absolute_deviations, c_n
from sitetest.stats.sequences import above, middle, within

# What the scaled median deviation of normal data must be divided by to estimate the SD without bias, from simulation.
_PAIR_FACTORS = {3: 0.598, 4: 0.726, 5: 0.782, 6: 0.802, 7: 0.851, 8: 0.858, 9: 0.887, 10: 0.891}


@dataclass(frozen=True, slots=True)
class ClippedCase:
    """One case after the rule.

    logs: ln(Mbit/s), clipped where the rule says so, in the order given. flagged: positions in it. clipped: whether
    the flagged ones were moved. limit: largest deviation from the median that is not flagged, in log units.
    """

    logs: Sequence[float]
    flagged: tuple[int, ...]
    clipped: bool
    limit: float


def pair_factor(n: int) -> float:
    """Return b_n: the small-sample factor of two cases pooled, the smaller of which has ``n`` >= 3 values."""
    return _PAIR_FACTORS.get(n, 1 - 1.06 / n)


def clip_pair(a: Sequence[float], b: Sequence[float]) -> tuple[ClippedCase, ClippedCase]:
    """Apply the rule to the log values of two cases.

    Raises ValueError when one has fewer than 3 values: no spread can be judged from two.
    """
    n = min(len(a), len(b))
    if n < 3:
        raise ValueError(f"the outlier rule needs at least 3 values in each case, not {len(a)} and {len(b)}")
    deviations_a, deviations_b = absolute_deviations(a), absolute_deviations(b)
    pair = MAD_TO_SD * middle(deviations_a, deviations_b) / pair_factor(n)
    return _clip(a, deviations_a, pair), _clip(b, deviations_b, pair)


def _clip(values: Sequence[float], deviations: Sequence[float], pair: float) -> ClippedCase:
    n = len(values)
    own = MAD_TO_SD * middle(deviations) / c_n(n)
    limit = max(SCALES * max(pair, own), FLOOR_LOG)
    flagged = above(deviations, limit + ROUNDING_LOG)
    if not flagged or len(flagged) > n // 5:
        return ClippedCase(values, flagged, False, limit)
    centre = middle(values)
    return ClippedCase(within(values, centre - limit, centre + limit), flagged, True, limit)
