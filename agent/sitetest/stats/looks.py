"""When a comparison may be looked at, and whether it goes on.

    turns 4 ──> 6 ──> 8 ──> 10 [──> 12, once, when a value at 10 is flagged]
          each look: p <= weight x alpha / K for either question ──> stop
                     otherwise go on; at the last look stop anyway

The whole history is replayed from the turns, so that the conductor after each quad and the report a year later come to
the same look. Turns between two looks, and turns beyond the one that decided, do not enter: a p-value belongs to the
look it stopped at. Union bound over the looks with declared weights: valid whatever the reason for stopping.

May import sitetest.stats.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from sitetest.stats.pair import PairTest, compare_logs, margin_log
from sitetest.stats.rules import TURNS_PER_QUAD, ComparisonRules
from sitetest.stats.student_t import quantile
from sitetest.stats.turns import CaseTurns

GIVE_UP_FROM = 6
_GIVE_UP_REACH = 1.28  # standard errors that the estimate may still move; a tenth of estimates moves further


class Stop(StrEnum):
    """Why no further turn is wanted for a comparison."""

    DIFFERENCE = "difference"
    EQUIVALENCE = "equivalence"
    CAP = "cap"
    GAVE_UP = "gave_up"


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a comparison stands.

    look: number of the last look taken, 1 for the first; 0 before it. turns: turns per configuration at that look,
    valid or failed (None: all there are). weight: share of alpha of that look. test: what it said; None when a case had
    fewer than 3 valid turns, before the first look, and while an extra quad is owed. stop: None when it goes on.
    next_turns: turns per configuration that the next look needs, None once stopped. extra_quad: the next look is the
    one that a flagged value has earned.
    """

    look: int
    turns: int | None
    weight: float
    test: PairTest | None
    stop: Stop | None
    next_turns: int | None
    extra_quad: bool = False


def _test_at(a: CaseTurns, b: CaseTurns, turns: int, rules: ComparisonRules) -> PairTest | None:
    return compare_logs(a.first(turns).logs, b.first(turns).logs, rules.margin)


def _decision(test: PairTest | None, level: float) -> Stop | None:
    if test is None:
        return None
    if test.p_equivalence <= level:
        return Stop.EQUIVALENCE
    return Stop.DIFFERENCE if test.p_difference <= level else None


def out_of_reach(test: PairTest, rules: ComparisonRules) -> bool:
    """Return whether neither verdict is within reach at the cap, even if the estimate moves 1.28 of the standard errors
    that it still can. Assumes that the spread stays what it is."""
    cap, level = rules.looks[-1], rules.weights[-1] * rules.strict_level
    ratio = test.ratio
    at_cap = spread_per_turn(test) * sqrt(2 / cap)
    reach = _GIVE_UP_REACH * sqrt(max(ratio.se**2 - at_cap**2, 0.0))
    df = 2 * cap - 2
    difference = abs(ratio.estimate) + reach >= quantile(1 - level / 2, df) * at_cap
    nearest = max(abs(ratio.estimate) - reach, 0.0)
    equivalence = margin_log(rules.margin) - nearest >= quantile(1 - level, df) * at_cap
    return not (difference or equivalence)


def spread_per_turn(test: PairTest) -> float:
    """Return s = se / sqrt(1/n_a + 1/n_b): the SD of one turn in log units, both cases together."""
    return test.ratio.se / sqrt(1 / test.ratio.n_a + 1 / test.ratio.n_b)


def replay(a: CaseTurns, b: CaseTurns, rules: ComparisonRules) -> Progress:
    """Go through the looks that the turns of two cases allow and return where the comparison stands."""
    if not rules.looks:
        test = compare_logs(a.logs, b.logs, rules.margin)
        return Progress(1, None, 1.0, test, _decision(test, rules.strict_level) or Stop.CAP, None)
    have = min(len(a.turns), len(b.turns))
    standing = Progress(0, 0, rules.weights[0], None, None, rules.looks[0])
    for number, (turns, weight) in enumerate(zip(rules.looks, rules.weights, strict=True), start=1):
        if have < turns:
            return standing
        last = number == len(rules.looks)
        test = _test_at(a, b, turns, rules)
        if last and test is not None and test.flagged:
            return _extra_look(a, b, have, number, rules)
        stop = _decision(test, weight * rules.strict_level)
        if stop is None and last:
            stop = Stop.CAP
        if stop is None and test is not None and rules.give_up_early and turns >= GIVE_UP_FROM:
            stop = Stop.GAVE_UP if out_of_reach(test, rules) else None
        following = None if stop is not None else rules.looks[number]
        standing = Progress(number, turns, weight, test, stop, following)
        if stop is not None:
            return standing
    return standing


def _extra_look(a: CaseTurns, b: CaseTurns, have: int, number: int, rules: ComparisonRules) -> Progress:
    """The last look is taken once: after the extra quad, not before it as well."""
    cap, weight = rules.looks[-1], rules.weights[-1]
    turns = cap + TURNS_PER_QUAD
    if have < turns:
        return Progress(number, cap, weight, None, None, turns, extra_quad=True)
    test = _test_at(a, b, turns, rules)
    return Progress(
        number, turns, weight, test, _decision(test, weight * rules.strict_level) or Stop.CAP, None, extra_quad=True
    )
