"""Error rates of a soak's one look: whole nights of turns, many tests each, of two AP configs in quads without end.

The night ends where the clock says, not where a quad ends, and its last turn is cut short. The tests of a turn share
its association, the level drifts and wanders; all of it made up, alike for both. Limits: the count that a share as
large as the method guarantees passes once in a thousand times, by the binomial distribution.
"""

from collections import Counter

import numpy as np
import pytest
from scipy.stats import binom

from sitetest.plan.turn_order import turn_order
from sitetest.stats.answers import Comparison, Verdict
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts
from sitetest.stats.verdict import judge

NIGHTS = 400
TURN_H, TESTS_A_TURN = 0.5, 15
TURN_SD, TEST_SD = 0.05, 0.08
DRIFT_AN_HOUR, WANDER_SD, WANDER_H = 0.05, 0.03, 1 / 3
RULES = ComparisonRules(family_size=1, looks=())
FASTER = (Verdict.A_FASTER, Verdict.B_FASTER)


def night(rng: np.random.Generator, ratio: float, *, calm: bool) -> dict[str, list[TurnAttempt]]:
    """Return the tests of A and of B over a night of 3 to 10 hours. ratio: true B over A. calm: without drift."""
    turns = int(rng.integers(7, 21))
    slope = np.log1p(DRIFT_AN_HOUR) * rng.choice([-1.0, 1.0])
    wander = rng.normal(0, WANDER_SD)
    keep = np.exp(-TURN_H / WANDER_H)
    tests: dict[str, list[TurnAttempt]] = {"A": [], "B": []}
    order = turn_order(("A", "B"), int(rng.integers(1_000_000)))
    for turn, (_, name) in zip(range(1, turns + 1), order, strict=False):
        wander = keep * wander + rng.normal(0, WANDER_SD * np.sqrt(1 - keep**2))
        drift = 0.0 if calm else slope * turn * TURN_H + wander
        level = np.log(400) + drift + rng.normal(0, TURN_SD)
        level += np.log(ratio) if name == "B" else 0.0
        made = int(rng.integers(1, TESTS_A_TURN)) if turn == turns else TESTS_A_TURN - int(rng.integers(0, 4))
        values = np.exp(level + rng.normal(0, TEST_SD, made))
        tests[name] += [TurnAttempt(turn, Outcome.VALID, float(value)) for value in values]
    return tests


def verdicts(ratio: float, *, calm: bool = False, tests_as_turns: bool = False) -> Counter[Verdict]:
    """Return what is said about many nights."""
    rng = np.random.default_rng(20260302)
    said: Counter[Verdict] = Counter()
    for _ in range(NIGHTS):
        tests = night(rng, ratio, calm=calm)
        a, b = (_case(tests[name], tests_as_turns) for name in ("A", "B"))
        (verdict,) = judge([Comparison("basement download", a, b)], RULES)
        assert (verdict.look, verdict.look_turns, verdict.weight) == (1, None, 1.0)
        said[verdict.verdict] += 1
    return said


def _case(tests: list[TurnAttempt], tests_as_turns: bool) -> CaseTurns:
    if tests_as_turns:
        tests = [TurnAttempt(n, one.outcome, one.throughput_mbps) for n, one in enumerate(tests)]
    return case_from_attempts(tests)


def most(share: float) -> int:
    """Return the count that is passed once in a thousand times."""
    return int(binom.ppf(0.999, NIGHTS, share))


@pytest.mark.parametrize("calm", [True, False])
def test_equal_ap_configs_are_called_different_no_more_often_than_alpha_allows(calm: bool) -> None:
    said = verdicts(1.0, calm=calm)
    assert sum(said[word] for word in FASTER) <= most(0.05)


@pytest.mark.parametrize("calm", [True, False])
def test_a_difference_as_large_as_the_margin_is_called_none_no_more_often_than_alpha_allows(calm: bool) -> None:
    assert verdicts(1.10, calm=calm)[Verdict.NO_PRACTICAL_DIFFERENCE] <= most(0.05)


def test_a_difference_of_a_fifth_is_found_in_most_nights_and_never_the_wrong_way_round() -> None:
    """From 3 turns of each on, under a drift that carries the level by more than the difference."""
    said = verdicts(1.20)
    assert said[Verdict.B_FASTER] >= 0.5 * NIGHTS
    assert said[Verdict.A_FASTER] == 0


def test_tests_taken_as_if_they_were_turns_find_differences_that_are_not_there() -> None:
    """Why the turn is the unit, however many tests it has."""
    said = verdicts(1.0, tests_as_turns=True)
    assert sum(said[word] for word in FASTER) > most(0.05)
