"""One family of hypotheses, held together at alpha.

    Holm 1979     sorted p(1) <= p(2) <= ...: p(i) falls while p(i) <= alpha / (K - i + 1) for it and all before it
    Bonferroni    p falls when p <= alpha / K

Promises: the level at which each was held comes with the answer, so that an interval can be drawn that agrees with it.
Written out because ``statsmodels.stats.multitest.multipletests`` gives no levels and runs a full garbage collection on
every call; the suite holds the two together. May import sitetest.stats.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.stats.rules import Correction


@dataclass(frozen=True, slots=True)
class Held:
    """adjusted: adjusted p-value. rejected: adjusted <= alpha. level: the part of alpha at which this hypothesis was
    held (for one that stands under Holm: the level that the first one to stand did not meet)."""

    adjusted: float
    rejected: bool
    level: float


def hold_family(
    p_values: Sequence[float], alpha: float, family_size: int, correction: Correction = Correction.HOLM
) -> tuple[Held, ...]:
    """Return what stands and what falls, in the order given.

    family_size: hypotheses planned; those without a p-value enter as 1. Raises ValueError when there are more p-values
    than that.
    """
    if len(p_values) > family_size:
        raise ValueError(f"{len(p_values)} comparisons in a family planned for {family_size}")
    if correction is Correction.BONFERRONI:
        level = alpha / family_size
        return tuple(Held(min(p * family_size, 1.0), p <= level, level) for p in p_values)
    held: dict[int, Held] = {}
    adjusted, fallen = 0.0, 0
    for rank, i in enumerate(sorted(range(len(p_values)), key=p_values.__getitem__)):
        level = alpha / (family_size - fallen)
        falls = p_values[i] <= level
        fallen += falls
        adjusted = max(adjusted, min(p_values[i] * (family_size - rank), 1.0))
        held[i] = Held(adjusted, falls, level)
    return tuple(held[i] for i in range(len(p_values)))
