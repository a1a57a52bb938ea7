"""Verdicts: what stands in the way of one, and in which order."""

import pytest
from scipy.stats import boschloo_exact, fisher_exact

from sitetest.stats.answers import Comparison, PairVerdict, Reason, Verdict
from sitetest.stats.guards import ceiling_bound, failing, invalid_guard
from sitetest.stats.more_turns import MoreTurns, more_turns
from sitetest.stats.rates import p_counts_differ, rate
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts
from sitetest.stats.verdict import across_the_board, judge

ONE = ComparisonRules(family_size=1, looks=())
SLOW = (400.0, 404.0, 396.0, 402.0, 398.0, 401.0, 399.0, 403.0)
FAST = tuple(value * 1.3 for value in SLOW)


def _case(values: tuple[float, ...], failed: int = 0, invalid: int = 0) -> CaseTurns:
    attempts = [TurnAttempt(i, Outcome.VALID, value) for i, value in enumerate(values)]
    attempts += [TurnAttempt(100 + i, Outcome.FAILED) for i in range(failed)]
    attempts += [TurnAttempt(200 + i, Outcome.INVALID, reason="roamed") for i in range(invalid)]
    return case_from_attempts(attempts)


def _judge(a: CaseTurns, b: CaseTurns, rules: ComparisonRules = ONE) -> PairVerdict:
    return judge([Comparison("pair", a, b)], rules)[0]


def test_working_configuration_may_be_called_faster_than_a_failing_one() -> None:
    """A keeps failing and is slower: "B faster" stands, equality is blocked."""
    said = _judge(_case(SLOW[:5], failed=3), _case(FAST))
    assert said.verdict is Verdict.B_FASTER
    assert (said.difference_blocked, said.equivalence_blocked) == (None, Reason.FAILED_TURNS)


def test_failing_configuration_is_not_called_faster() -> None:
    """B is faster when it works, and fails: nothing is said of throughput, and no number of turns would help."""
    said = _judge(_case(SLOW), _case(FAST[:5], failed=3))
    assert (said.verdict, said.reason, said.more_turns) == (Verdict.NOT_ENOUGH_EVIDENCE, Reason.FAILED_TURNS, None)


@pytest.mark.parametrize(
    ("failed", "valid", "is_failing"), [(1, 7, False), (2, 6, True), (2, 18, False), (3, 17, True)]
)
def test_failing_needs_more_than_one_and_more_than_a_tenth(failed: int, valid: int, is_failing: bool) -> None:
    """f > max(1, 0.1 t)."""
    assert failing(_case((400.0,) * valid, failed=failed)) is is_failing


@pytest.mark.parametrize(("failed_of_ten", "is_failing"), [((1, 1, 1, 1), False), ((2, 1, 1, 1), True), ((9,), False)])
def test_failing_goes_by_the_share_of_tests_where_a_turn_has_many(
    failed_of_ten: tuple[int, ...], is_failing: bool
) -> None:
    """Four turns of ten tests: a tenth of what was tried is 4 of 40. One bad turn alone is one event."""
    shares = (*failed_of_ten, 0, 0, 0)[:4]
    attempts = [
        TurnAttempt(turn, Outcome.FAILED if test < failed else Outcome.VALID, 400.0)
        for turn, failed in enumerate(shares)
        for test in range(10)
    ]
    attempts += [TurnAttempt(0, Outcome.INVALID) for _ in range(30)]  # not tried, so no part of the share
    case = case_from_attempts(attempts)
    assert failing(case) is is_failing
    assert case.failed == len(failed_of_ten)


@pytest.mark.parametrize(
    ("invalid_a", "invalid_b", "turns", "guarded"),
    [(2, 2, 6, False), (0, 3, 6, True), (3, 3, 6, True), (0, 3, 9, False), (0, 6, 20, True), (6, 6, 20, False)],
)
def test_invalid_guard(invalid_a: int, invalid_b: int, turns: int, guarded: bool) -> None:
    """More than a quarter of the attempts of one, or too unequal (Boschloo, 5 %)."""
    values = (400.0,) * turns
    assert invalid_guard(_case(values, invalid=invalid_a), _case(values, invalid=invalid_b)) is guarded


@pytest.mark.parametrize(
    ("values", "ceiling", "bound"),
    [
        ((900.0, 500.0, 500.0, 500.0), 941.0, True),  # 900 >= 0.95 x 941 = 893.95, one of four
        ((900.0, 500.0, 500.0, 500.0, 500.0), 941.0, False),
        ((893.0, 893.0), 941.0, False),
        ((950.0, 950.0), 1000.0, True),  # exactly at the bound
        ((900.0, 900.0), None, False),
    ],
)
def test_ceiling_bound(values: tuple[float, ...], ceiling: float | None, bound: bool) -> None:
    """At least a quarter of the turns reach 95 % of the ceiling; an unknown ceiling binds nothing."""
    assert ceiling_bound(_case(values), ceiling) is bound


def test_no_verdict_before_the_first_look() -> None:
    """Three turns each under a plan that looks at four: the ratio is shown, no p-value, no verdict."""
    said = _judge(_case(SLOW[:3]), _case(FAST[:3]), ComparisonRules(family_size=1))
    assert (said.verdict, said.reason) == (Verdict.NOT_ENOUGH_EVIDENCE, Reason.LOOK_NOT_REACHED)
    assert said.interval is not None
    assert (said.p_difference, said.campaign_interval) == (None, None)


def test_verdict_waits_for_the_extra_quad() -> None:
    """A flagged turn at the last look: the ratio is shown, and one more quad is asked for."""
    a, b = (*SLOW[:3], 200.0), (430.0, 380.0, 440.0, 410.0)
    said = _judge(_case(a), _case(b), ComparisonRules(family_size=1, looks=(4,)))
    assert (said.verdict, said.reason) == (Verdict.NOT_ENOUGH_EVIDENCE, Reason.EXTRA_QUAD_OWED)
    assert said.interval is not None


def test_missing_comparisons_count_as_undecided() -> None:
    """p 0.0119 is enough alone and not enough as one of six planned, of which five were never made."""
    a = _case((421.0, 398.0, 445.0, 410.0, 432.0, 405.0))
    b = _case((452.0, 436.0, 470.0, 441.0, 462.0, 429.0))
    assert _judge(a, b).verdict is Verdict.B_FASTER
    alone_of_six = _judge(a, b, ComparisonRules(family_size=6, looks=()))
    assert alone_of_six.verdict is Verdict.NOT_ENOUGH_EVIDENCE
    assert alone_of_six.reason is Reason.SPREAD


def test_more_comparisons_than_planned_are_refused() -> None:
    """The family is fixed before the first attempt."""
    pair = Comparison("pair", _case(SLOW), _case(FAST))
    with pytest.raises(ValueError, match="planned for 1"):
        judge([pair, pair], ONE)


def test_across_the_board_needs_every_planned_comparison() -> None:
    """One missing or different comparison, and it may not be said."""
    rules = ComparisonRules(family_size=2, looks=())
    faster = Comparison("one", _case(SLOW), _case(FAST))
    both = judge([faster, faster], rules)
    assert across_the_board(both, 2) is Verdict.B_FASTER
    assert across_the_board(both[:1], 2) is None
    mixed = judge([faster, Comparison("two", _case(FAST), _case(SLOW))], rules)
    assert across_the_board(mixed, 2) is None
    same = judge([Comparison("same", _case(SLOW), _case(SLOW))] * 2, rules)
    assert across_the_board(same, 2) is None


def test_reliability_is_held_over_the_family() -> None:
    """B failed 5 of 8 and A none: p 0.008 is shown alone, and not as one of twelve planned comparisons."""
    a, b = _case(SLOW), _case(FAST[:3], failed=5)
    alone, of_many = (_judge(a, b, ComparisonRules(family_size=k, looks=())).reliability for k in (1, 12))
    assert alone is not None
    assert of_many is not None
    assert (alone.more_reliable, of_many.more_reliable) == ("a", None)
    assert of_many.p_adjusted == pytest.approx(12 * alone.p)


def test_nothing_failed_has_no_reliability_line() -> None:
    """No line about what did not happen."""
    assert _judge(_case(SLOW), _case(FAST)).reliability is None


def test_more_turns_says_when_it_is_not_practical() -> None:
    """A spread of 40 % and 2 %: more than 40 turns; a closed way is not counted."""
    never = more_turns(0.02, 0.4, 0.10, 0.05, 0.05)
    assert never == MoreTurns(None, None, None)
    assert "more than 40" in never.sentence
    by_equality = more_turns(0.0, 0.05, 0.10, None, 0.05)
    assert by_equality is not None
    assert by_equality.turns is not None
    assert by_equality.sentence.startswith(f"about {by_equality.turns} turns")
    assert more_turns(0.0, 0.05, 0.10, 0.05, None) == MoreTurns(None, None, None)
    assert more_turns(0.5, 0.05, 0.10, None, None) is None


@pytest.mark.parametrize(("count", "n"), [(1, 0), (-1, 5), (6, 5)])
def test_rate_refuses_impossible_counts(count: int, n: int) -> None:
    """A rate is a count within its trials."""
    with pytest.raises(ValueError, match="count"):
        rate(count, n)


def test_counts_that_say_nothing_do_not_differ() -> None:
    """Nothing or everything counted on both sides, or no trials at all."""
    assert p_counts_differ(0, 8, 0, 3) == p_counts_differ(8, 8, 3, 3) == p_counts_differ(0, 0, 3, 3) == 1.0


def test_many_trials_are_compared_by_a_test_that_comes_to_an_end() -> None:
    """Boschloo's test is that of scipy up to 400 trials; above, Fisher's, which is never below it (Boschloo 1970)."""
    few, many = [[3, 9], [197, 191]], [[3, 9], [198, 191]]
    assert p_counts_differ(3, 200, 9, 200) == pytest.approx(boschloo_exact(few).pvalue)
    assert p_counts_differ(3, 201, 9, 200) == pytest.approx(fisher_exact(many).pvalue)
    assert fisher_exact(few).pvalue >= boschloo_exact(few).pvalue
    assert 0 < p_counts_differ(3000, 500_000, 3200, 500_000) < 0.05
    assert p_counts_differ(9, 400, 3, 400, "less") > 0.9 > p_counts_differ(3, 400, 9, 400, "less")


def test_early_look_pays_with_its_weight() -> None:
    """p of the look at four is divided by 0.05: what is a difference as the only look is open as the first of four."""
    a, b = _case((400.0, 412.0, 391.0, 405.0)), _case((430.0, 446.0, 421.0, 438.0))
    only = _judge(a, b)
    first = _judge(a, b, ComparisonRules(family_size=1))
    assert only.p_difference == first.p_difference
    assert only.p_difference is not None
    assert 0.05 * 0.05 < only.p_difference < 0.05
    assert (only.verdict, first.verdict) == (Verdict.B_FASTER, Verdict.NOT_ENOUGH_EVIDENCE)
    assert first.adjusted_difference == pytest.approx(only.p_difference / 0.05)


def test_equality_at_an_early_look_pays_with_its_weight() -> None:
    """The same for "no practical difference"."""
    a, b = _case((400.0, 424.0, 382.0, 408.0)), _case((402.0, 422.0, 383.0, 406.0))
    only, first = _judge(a, b), _judge(a, b, ComparisonRules(family_size=1))
    assert only.p_equivalence is not None
    assert 0.05 * 0.05 < only.p_equivalence < 0.05
    assert (only.verdict, first.verdict) == (Verdict.NO_PRACTICAL_DIFFERENCE, Verdict.NOT_ENOUGH_EVIDENCE)
    assert first.adjusted_equivalence == pytest.approx(only.p_equivalence / 0.05)


def test_outlier_above_is_flagged_and_is_no_dip() -> None:
    """The rule has two sides; only falls count as dips."""
    said = _judge(_case((*SLOW[:7], 900.0)), _case(FAST))
    (flag,) = said.a.flagged
    assert (flag.turn, flag.low, flag.clipped, said.a.dips) == (7, False, True, 0)
