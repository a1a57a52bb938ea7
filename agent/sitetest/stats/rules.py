"""What is fixed before the first attempt: margin, alpha, family, looks and their weights.

Promises: a frozen value that can be written down, hashed and read back; nothing in it may follow from the data.
May import the standard library only.
"""

from dataclasses import dataclass
from enum import StrEnum

RULES_VERSION = 1
"""Version of the rules of looks, weights, outliers and invalid turns. A plan that is stored names it; raised when the
same turns would lead to another decision."""

MIN_TURNS = 3
"""Valid turns on each side below which nothing is said. No setting changes this."""

TURNS_PER_QUAD = 2
"""Turns of each configuration in a quad."""

SOAK_FEWEST_TESTS, SOAK_SHORTEST_H = 96, 4.0
"""Tests of a series, and hours from the first to the last, below which nothing is said about steps and drift."""

DEFAULT_LOOKS = (4, 6, 8, 10)
DEFAULT_MARGIN, DEFAULT_ALPHA = 0.10, 0.05
_LAST_WEIGHT = 0.70


class Correction(StrEnum):
    """How the comparisons of one campaign share alpha.

    ``holm`` keeps each kind of false verdict at alpha, ``bonferroni`` both kinds together.
    """

    HOLM = "holm"
    BONFERRONI = "bonferroni"


def look_weights(count: int) -> tuple[float, ...]:
    """Return the share of alpha that each of ``count`` looks may spend: 0.70 for the last, the rest as 1 : 2 : ..."""
    if count == 1:
        return (1.0,)
    steps = count * (count - 1) / 2
    return (*((1 - _LAST_WEIGHT) * step / steps for step in range(1, count)), _LAST_WEIGHT)


def spread_looks(first: int, last: int, count: int) -> tuple[int, ...]:
    """Return the turns at which ``count`` looks are taken at most, from ``first`` to ``last`` as evenly as whole quads
    (2 turns of each) allow. Both are even; only ``last`` when ``first`` is not below it; none when ``last`` is too few
    turns for a verdict."""
    last -= last % 2
    first = max(first + first % 2, MIN_TURNS + MIN_TURNS % 2)
    if last < MIN_TURNS:
        return ()
    if first >= last or count == 1:
        return (last,)
    steps = (first + (last - first) * step / (count - 1) for step in range(count))
    return tuple(sorted({2 * round(turns / 2) for turns in steps}))


@dataclass(frozen=True, slots=True)
class ComparisonRules:
    """The rules of one campaign.

    family_size: comparisons planned, K = locations x directions x (configurations - 1); those never made count as
    undecided. margin: a share; 0.10 means that a factor of 1.10 either way is of no practical interest. alpha: chance
    of a false verdict of one kind in the whole campaign. looks: turns per configuration at which verdicts are sought,
    ascending; empty for one look at all there is. give_up_early: stop a comparison that can no longer be decided.
    Raises ValueError when a value is out of range.
    """

    family_size: int
    margin: float = DEFAULT_MARGIN
    alpha: float = DEFAULT_ALPHA
    looks: tuple[int, ...] = DEFAULT_LOOKS
    correction: Correction = Correction.HOLM
    give_up_early: bool = False

    def __post_init__(self) -> None:
        if self.family_size < 1:
            raise ValueError(f"a campaign has at least 1 comparison, not {self.family_size}")
        if not 0 < self.margin < 1:
            raise ValueError(f"the margin is a share between 0 and 1, not {self.margin}")
        if not 0 < self.alpha < 1:
            raise ValueError(f"alpha lies between 0 and 1, not {self.alpha}")
        if list(self.looks) != sorted(set(self.looks)) or any(look < MIN_TURNS for look in self.looks):
            raise ValueError(f"looks are rising numbers of turns from {MIN_TURNS} on, not {self.looks}")

    @property
    def weights(self) -> tuple[float, ...]:
        """Share of alpha for each look."""
        return look_weights(max(len(self.looks), 1))

    @property
    def strict_level(self) -> float:
        """alpha / K: the level that decides a comparison whatever becomes of the others."""
        return self.alpha / self.family_size
