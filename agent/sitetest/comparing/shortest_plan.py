"""The shortest plan that could decide what the data at hand cannot.

May import stats only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import expm1

from sitetest.stats.case_estimate import pooled_cv
from sitetest.stats.power import MOST_PLANNED_TURNS, turns_for
from sitetest.stats.rules import DEFAULT_LOOKS, ComparisonRules
from sitetest.stats.sequences import total

ASSUMED_CV = 0.05
"""Spread between turns where none could be seen; a steady radio link in a quiet building."""


@dataclass(frozen=True, slots=True)
class ShortestPlan:
    """turns: per configuration, in whole quads, None for more than 80. cv: spread it reckons with, a share; seen: it
    was seen in the data (and may be larger between turns that are further apart). difference: B over A less one, as
    seen, None when nothing was."""

    turns: int | None
    cv: float
    seen: bool
    difference: float | None

    @property
    def quads(self) -> int | None:
        """Four turns each."""
        return None if self.turns is None else self.turns // 2


def shortest_plan(logs_a: Sequence[float], logs_b: Sequence[float], rules: ComparisonRules) -> ShortestPlan:
    """Return the plan from ln(Mbit/s) as seen, for a chance of four in five of some verdict if the truth is as seen."""
    seen = pooled_cv((logs_a, logs_b))
    cv = ASSUMED_CV if seen is None else seen
    difference = None
    if logs_a and logs_b:
        difference = expm1(total(logs_b) / len(logs_b) - total(logs_a) / len(logs_a))
    turns = turns_for(difference or 0.0, cv, rules)
    if turns is not None:
        turns = max(turns + turns % 2, DEFAULT_LOOKS[0])
    if turns is not None and turns > MOST_PLANNED_TURNS:
        turns = None
    return ShortestPlan(turns, cv, seen is not None, difference)
