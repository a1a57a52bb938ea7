"""Before anyone starts: the chance that a campaign will find what is there.

Two normal samples of n turns with one spread, tested with Welch's t at the share of alpha of the last look; the chance
is averaged over the two spreads that may be seen (a grid of their quantiles). Earlier looks, and Holm once other
comparisons are decided, only add to it; flagged turns take away.

May import numpy, scipy.special and sitetest.stats.
"""

from dataclasses import dataclass
from math import expm1, log1p, sqrt

import numpy as np
from scipy.special import chdtri, ndtr, stdtrit

from sitetest.stats.case_estimate import SD_FLOOR
from sitetest.stats.more_turns import log_sd, smallest_turns
from sitetest.stats.pair import margin_log
from sitetest.stats.rules import ComparisonRules

_QUANTILES = (np.arange(60) + 0.5) / 60
MOST_PLANNED_TURNS = 80
_LARGEST_SOUGHT = 2.0
_FINENESS = 5e-4


@dataclass(frozen=True, slots=True)
class Chance:
    """Chances (0..1) for one true difference.

    difference: B over A less one; 0.20 is 20 % faster. faster: that the right one is called faster;
    no_practical_difference: that this is said instead. turns: per configuration. cv: assumed spread, a share.
    """

    difference: float
    turns: int
    cv: float
    faster: float
    no_practical_difference: float


def chance(difference: float, turns: int, cv: float, rules: ComparisonRules) -> Chance:
    """Return the chances for a true ``difference`` (a share, above -1) with ``turns`` >= 3 per configuration and
    spread ``cv`` (a share, above 0). Raises ValueError otherwise."""
    if turns < 3 or cv <= 0 or difference <= -1:
        raise ValueError(
            f"chances need 3 turns or more, a spread above 0 and a difference above -1, not {turns}, {cv}, {difference}"
        )
    spread = log_sd(cv)
    variances = np.maximum(chdtri(turns - 1, 1 - _QUANTILES) / (turns - 1) * spread**2, SD_FLOOR**2) / turns
    v_a, v_b = variances[:, None], variances[None, :]
    seen = np.sqrt(v_a + v_b)
    df = (v_a + v_b) ** 2 * (turns - 1) / (v_a**2 + v_b**2)
    true, shift = spread * sqrt(2 / turns), abs(log1p(difference))
    level = rules.weights[-1] * rules.strict_level
    faster = ndtr((shift - stdtrit(df, 1 - level / 2) * seen) / true)
    inside = margin_log(rules.margin) - stdtrit(df, 1 - level) * seen
    equal = np.clip(ndtr((inside - shift) / true) - ndtr((-inside - shift) / true), 0, None)
    return Chance(difference, turns, cv, float(faster.mean()), float(equal.mean()))


def turns_for(difference: float, cv: float, rules: ComparisonRules) -> int | None:
    """Return the turns per configuration for a good chance (four in five) of some verdict, None for more than 80."""
    level = rules.strict_level
    return smallest_turns(
        log1p(difference),
        log_sd(cv),
        margin=rules.margin,
        level_difference=level,
        level_equivalence=level,
        most=MOST_PLANNED_TURNS,
    )


def smallest_found(turns: int, cv: float, rules: ComparisonRules, wanted: float = 0.8) -> float | None:
    """Return the smallest true difference (a share above 0) that ``turns`` per configuration find with the chance
    ``wanted``, to a thousandth; None for more than threefold. Raises ValueError as :func:`chance` does."""
    low, high = 0.0, log1p(_LARGEST_SOUGHT)
    if chance(_LARGEST_SOUGHT, turns, cv, rules).faster < wanted:
        return None
    while high - low > _FINENESS:
        between = (low + high) / 2
        if chance(expm1(between), turns, cv, rules).faster < wanted:
            low = between
        else:
            high = between
    return expm1(high)
