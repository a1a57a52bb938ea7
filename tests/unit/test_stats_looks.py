"""Looks: when a comparison is tested, when it stops, and what an outlier at the cap earns."""

import pytest

from sitetest.stats.looks import Stop, replay
from sitetest.stats.rules import ComparisonRules, look_weights
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts, case_from_values

SIX = ComparisonRules(family_size=6)
# Spread of about 10 %, medians about 4 % apart: nothing is decided at any look.
LOOSE_A = (360.0, 440.0, 395.0, 420.0, 372.0, 431.0, 388.0, 409.0, 365.0, 436.0, 399.0, 415.0)
LOOSE_B = (450.0, 378.0, 418.0, 402.0, 445.0, 383.0, 425.0, 396.0, 452.0, 381.0, 412.0, 404.0)


def _case(values: tuple[float, ...], failed: int = 0) -> CaseTurns:
    attempts = [TurnAttempt(i, Outcome.FAILED) for i in range(failed)]
    attempts += [TurnAttempt(failed + i, Outcome.VALID, value) for i, value in enumerate(values)]
    return case_from_attempts(attempts)


@pytest.mark.parametrize(
    ("count", "weights"),
    [(1, (1.0,)), (2, (0.30, 0.70)), (3, (0.10, 0.20, 0.70)), (4, (0.05, 0.10, 0.15, 0.70))],
)
def test_weights_of_the_looks(count: int, weights: tuple[float, ...]) -> None:
    """0.70 for the last look, the rest shared as 1 : 2 : ... (figures of the method); they never sum to more than 1."""
    assert look_weights(count) == pytest.approx(weights)
    assert sum(look_weights(count)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "wrong",
    [{"family_size": 0}, {"margin": 0.0}, {"margin": 10.0}, {"alpha": 1.0}, {"looks": (6, 4)}, {"looks": (2, 4)}],
)
def test_rules_refuse_what_makes_no_sense(wrong: dict[str, object]) -> None:
    """Out of range: refused when the rules are made, before anything is measured."""
    with pytest.raises(ValueError, match="not"):
        ComparisonRules(**{"family_size": 6, **wrong})  # type: ignore[arg-type]


def test_nothing_is_tested_before_the_first_look() -> None:
    """Three turns of four: no test, and the first look comes next."""
    progress = replay(case_from_values([400.0] * 3), case_from_values([800.0] * 4), SIX)
    assert (progress.look, progress.test, progress.stop, progress.next_turns) == (0, None, None, 4)


def test_turns_between_two_looks_do_not_enter() -> None:
    """Five turns are tested as four."""
    five = replay(case_from_values(LOOSE_A[:5]), case_from_values(LOOSE_B[:5]), SIX)
    four = replay(case_from_values(LOOSE_A[:4]), case_from_values(LOOSE_B[:4]), SIX)
    assert five == four
    assert (five.look, five.turns, five.next_turns) == (1, 4, 6)


def test_equal_values_stop_for_equivalence() -> None:
    """Both questions can stop a comparison."""
    progress = replay(case_from_values([400.0] * 4), case_from_values([400.0] * 4), SIX)
    assert (progress.stop, progress.turns) == (Stop.EQUIVALENCE, 4)


def test_undecided_comparison_ends_at_the_cap() -> None:
    """Ten turns without a flag: stopped, though nothing is decided."""
    progress = replay(case_from_values(LOOSE_A[:10]), case_from_values(LOOSE_B[:10]), SIX)
    assert (progress.stop, progress.turns, progress.weight, progress.next_turns) == (Stop.CAP, 10, 0.70, None)


def test_flagged_turn_at_the_cap_earns_one_quad_and_the_last_look_waits_for_it() -> None:
    """At ten turns with a flag nothing is tested; at twelve it is, once, with the weight of the last look."""
    a = (*LOOSE_A[:4], 60.0, *LOOSE_A[5:])
    owed = replay(case_from_values(a[:10]), case_from_values(LOOSE_B[:10]), SIX)
    assert (owed.extra_quad, owed.test, owed.stop, owed.next_turns) == (True, None, None, 12)
    assert replay(case_from_values(a[:11]), case_from_values(LOOSE_B), SIX) == owed
    taken = replay(case_from_values(a), case_from_values(LOOSE_B), SIX)
    assert (taken.extra_quad, taken.stop, taken.turns, taken.weight) == (True, Stop.CAP, 12, 0.70)
    assert taken.test is not None
    assert taken.test.ratio.n_a == 12


def test_flag_before_the_cap_earns_nothing() -> None:
    """A flagged turn that leaves the median within reach is not a reason to measure more before the last look."""
    a = (60.0, *LOOSE_A[1:8])
    progress = replay(case_from_values(a), case_from_values(LOOSE_B[:8]), SIX)
    assert progress.test is not None
    assert progress.test.flagged
    assert (progress.extra_quad, progress.next_turns) == (False, 10)


def test_failed_turns_count_for_the_look_and_not_for_the_test() -> None:
    """Four turns of which two failed: the look at four is taken, and cannot be tested with two values."""
    progress = replay(_case((400.0, 402.0), failed=2), case_from_values([800.0] * 4), SIX)
    assert (progress.look, progress.test, progress.stop, progress.next_turns) == (1, None, None, 6)
    later = replay(_case((400.0, 402.0, 401.0, 399.0), failed=2), case_from_values([800.0] * 6), SIX)
    assert later.test is not None
    assert (later.turns, later.test.ratio.n_a, later.test.ratio.n_b, later.stop) == (6, 4, 6, Stop.DIFFERENCE)


def test_giving_up_early_is_off_unless_asked_for() -> None:
    """A spread that no ten turns can resolve: given up at six with the option, never at four, not without it."""
    a = [200.0, 600.0, 350.0, 480.0, 230.0, 560.0]
    b = [590.0, 210.0, 490.0, 340.0, 570.0, 240.0]
    hasty = ComparisonRules(family_size=6, give_up_early=True)
    assert replay(case_from_values(a[:4]), case_from_values(b[:4]), hasty).stop is None
    assert replay(case_from_values(a), case_from_values(b), hasty).stop is Stop.GAVE_UP
    assert replay(case_from_values(a), case_from_values(b), SIX).stop is None


def test_no_looks_means_one_look_at_everything() -> None:
    """Unequal numbers of turns are all used."""
    rules = ComparisonRules(family_size=1, looks=())
    progress = replay(case_from_values(LOOSE_A[:5]), case_from_values(LOOSE_B), rules)
    assert progress.test is not None
    assert (progress.test.ratio.n_a, progress.test.ratio.n_b, progress.weight) == (5, 12, 1.0)
