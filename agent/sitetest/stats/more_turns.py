"""How many turns would settle it: for a new campaign, and for the plan before the first one.

    smallest n with (t(1 - a_d/2) + t(.8)) x s x sqrt(2/n) <= |difference|       a difference is found
             or     (t(1 - a_e)   + t(.9)) x s x sqrt(2/n) <= D - |difference|   equivalence is shown      df = 2n - 2

a_d and a_e are 0.7 of the level that the comparison was held at: the share of the last look.

Promises: a rough figure, said to be rough; more turns for the campaign that has ended would be a look that no alpha was
kept for. May import sitetest.stats.
"""

from dataclasses import dataclass
from math import inf, log1p, sqrt

from sitetest.stats.pair import margin_log
from sitetest.stats.student_t import quantile

LAST_LOOK_SHARE = 0.7
MOST_TURNS = 40
_FEWEST_TURNS = 3


@dataclass(frozen=True, slots=True)
class MoreTurns:
    """Turns per configuration that a new campaign would need. turns: None for more than 40, not practical at this
    spread. low, high: what is possible, 0.5 to 2.5 times; None likewise."""

    turns: int | None
    low: int | None
    high: int | None

    @property
    def sentence(self) -> str:
        """The figure in words."""
        if self.turns is None:
            return f"more than {MOST_TURNS} turns per configuration: not practical at this spread"
        return f"about {self.turns} turns per configuration in a new campaign ({self.low} to {self.high} is possible)"


def log_sd(cv: float) -> float:
    """Return the SD in log units of lognormal values with coefficient of variation ``cv`` (a share)."""
    return sqrt(log1p(cv * cv))


def smallest_turns(
    difference: float,
    spread: float,
    *,
    margin: float,
    level_difference: float | None,
    level_equivalence: float | None,
    most: int = MOST_TURNS,
) -> int | None:
    """Return the smallest number of turns per configuration that leads to a verdict, None for more than ``most``.

    difference, spread: ln(B/A) and SD of one turn, log units. margin: a share. The levels are those held; None closes
    that way.
    """
    shift = abs(difference)
    room = margin_log(margin) - shift
    for n in range(_FEWEST_TURNS, most + 1):
        df, se = 2 * n - 2, spread * sqrt(2 / n)
        found = (
            inf
            if level_difference is None
            else (quantile(1 - LAST_LOOK_SHARE * level_difference / 2, df) + quantile(0.8, df))
        )
        shown = (
            inf
            if level_equivalence is None
            else (quantile(1 - LAST_LOOK_SHARE * level_equivalence, df) + quantile(0.9, df))
        )
        if found * se <= shift or shown * se <= room:
            return n
    return None


def more_turns(
    difference: float, spread: float, margin: float, level_difference: float | None, level_equivalence: float | None
) -> MoreTurns | None:
    """Return what a new campaign would need if the truth is what was seen; None when both ways are closed.

    Arguments as for :func:`smallest_turns`.
    """
    if level_difference is None and level_equivalence is None:
        return None
    turns = smallest_turns(
        difference,
        spread,
        margin=margin,
        level_difference=level_difference,
        level_equivalence=level_equivalence,
    )
    if turns is None:
        return MoreTurns(None, None, None)
    return MoreTurns(turns, max(_FEWEST_TURNS, turns // 2), -(-turns * 5 // 2))
