"""The gate: what makes it fail, what keeps it from passing, and that nothing measured is never slower."""

import pytest

from sitetest.stats.gate import judge_gate
from sitetest.stats.gate_answers import GateAnswer, GateCase, GateReason, GateResult, GateRules
from sitetest.stats.rates import p_counts_differ
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts

BASE = (400.0, 408.0, 392.0, 404.0, 396.0, 402.0, 398.0, 406.0, 394.0, 401.0)


def _case(factor: float = 1.0, valid: int = 6, failed: int = 0, invalid: int = 0) -> CaseTurns:
    attempts = [TurnAttempt(i, Outcome.VALID, value * factor) for i, value in enumerate(BASE[:valid])]
    attempts += [TurnAttempt(100 + i, Outcome.FAILED) for i in range(failed)]
    attempts += [TurnAttempt(200 + i, Outcome.INVALID, reason="roamed") for i in range(invalid)]
    return case_from_attempts(attempts)


def _gate(*cases: GateCase, planned: int | None = None, looks: tuple[int, ...] = ()) -> GateResult:
    return judge_gate(cases, GateRules(family_size=planned or len(cases), looks=looks))


GOOD = GateCase("good", _case(), _case(0.99))
BAD = GateCase("bad", _case(), _case(0.7))


def test_four_of_four_failing_against_none_has_the_published_p() -> None:
    """One-sided Boschloo, 4 of 4 against 0 of 4: 0.0039 (figure of the method)."""
    assert p_counts_differ(0, 4, 4, 4, "less") == pytest.approx(0.0039, abs=5e-5)


def test_case_that_always_fails_now_fails_the_gate_from_four_turns_on() -> None:
    """K = 6: 0.0039 is below 0.05 / 6; with three turns it is inconclusive."""
    others = [GateCase(f"good {i}", _case(), _case(0.99)) for i in range(5)]
    dead = GateCase("dead", _case(valid=4), _case(valid=0, failed=4))
    hardly = GateCase("hardly", _case(valid=3), _case(valid=0, failed=3))
    assert (_gate(*others, dead).answer, _gate(*others, dead).reason) == (GateAnswer.FAIL, GateReason.FAILS_MORE)
    assert _gate(*others, dead).cases_named == ("dead",)
    assert _gate(*others, hardly).answer is GateAnswer.INCONCLUSIVE


def test_failing_more_than_before_forbids_a_pass_before_it_is_shown() -> None:
    """Two of eight failed now and none before: not shown to be worse, and no pass either."""
    shaky = GateCase("shaky", _case(valid=8), _case(0.99, valid=6, failed=2))
    result = _gate(GOOD, shaky)
    assert (result.answer, result.reason) == (GateAnswer.INCONCLUSIVE, GateReason.FAILED_TURNS)
    assert result.cases_named == ("shaky",)


def test_failing_as_before_does_not_forbid_a_pass() -> None:
    """The same failures with the old firmware are not the new one's fault."""
    as_before = GateCase("as before", _case(valid=6, failed=2), _case(0.99, valid=6, failed=2))
    assert _gate(GOOD, as_before).answer is GateAnswer.PASS


def test_missing_case_forbids_a_pass_and_is_never_a_fail() -> None:
    """A planned case that was not measured: inconclusive, whatever the others say for the build."""
    result = _gate(GOOD, planned=2)
    assert (result.answer, result.reason) == (GateAnswer.INCONCLUSIVE, GateReason.CASE_MISSING)
    assert result.mean is None


def test_missing_case_does_not_hide_a_fail() -> None:
    """A case shown to be worse fails the gate though another is missing."""
    assert (_gate(BAD, planned=2).answer, _gate(BAD, planned=2).reason) == (GateAnswer.FAIL, GateReason.CASE_WORSE)


def test_invalid_guard_forbids_both_answers() -> None:
    """A case that lost too many attempts as invalid neither passes nor fails by its throughput."""
    lost = GateCase("lost", _case(), _case(0.7, invalid=6))
    assert (_gate(lost).answer, _gate(lost).reason) == (GateAnswer.INCONCLUSIVE, GateReason.INVALID)
    assert _gate(GOOD, lost).cases[1].p_worse is None


def test_all_cases_a_little_too_slow_fail_by_the_mean() -> None:
    """No single case is shown to be past the limit, their mean is."""
    ragged = (1.00, 0.80, 0.92, 0.84, 0.96, 0.88)
    cases = []
    for i in range(6):
        new = [TurnAttempt(t, Outcome.VALID, 400 * 0.92 * ragged[(t + i) % 6]) for t in range(6)]
        cases.append(GateCase(str(i), _case(), case_from_attempts(new)))
    result = _gate(*cases)
    assert (result.answer, result.reason, result.cases_named) == (GateAnswer.FAIL, GateReason.MEAN_WORSE, ())


def test_looks_stop_when_the_answer_is_clear() -> None:
    """Good and bad builds are told at the first look; before it nothing may be said."""
    looks = (4, 6, 8, 10)
    for case, answer in ((GOOD, GateAnswer.PASS), (BAD, GateAnswer.FAIL)):
        result = _gate(case, looks=looks)
        assert (result.answer, result.turns, result.stopped) == (answer, 4, True)
    early = _gate(GateCase("early", _case(valid=3), _case(0.7, valid=3)), looks=looks)
    assert (early.answer, early.reason, early.stopped) == (
        GateAnswer.INCONCLUSIVE,
        GateReason.LOOK_NOT_REACHED,
        False,
    )


def test_look_needs_all_cases() -> None:
    """One case with ten turns and one with four: the look at four, for both."""
    ragged = GateCase("open", _case(valid=10), _case(0.905, valid=10))
    short = GateCase("short", _case(valid=4), _case(0.905, valid=4))
    result = _gate(ragged, short, looks=(4, 6, 8, 10))
    assert (result.turns, result.stopped) == (4, False)
    assert result.cases[0].ratio is not None
    assert result.cases[0].ratio.n_a == 4


def test_wired_ceiling_is_named() -> None:
    """Behind the wire a change for the worse may be hidden: the case says so."""
    result = _gate(GateCase("wired", _case(), _case(), ceiling_mbps=410.0))
    assert result.cases[0].ceiling_bound


@pytest.mark.parametrize("wrong", [{"family_size": 0}, {"limit": 0.0}, {"limit": 10.0}, {"looks": (6, 4)}])
def test_gate_rules_refuse_what_makes_no_sense(wrong: dict[str, object]) -> None:
    """Out of range: refused before anything is measured."""
    with pytest.raises(ValueError, match="not"):
        GateRules(**{"family_size": 1, **wrong})  # type: ignore[arg-type]


def test_failing_less_than_before_is_no_fault() -> None:
    """The old firmware failed five of eight turns, the new one none: not a fail."""
    mended = GateCase("mended", _case(valid=3, failed=5), _case(valid=8))
    result = _gate(mended)
    assert result.answer is GateAnswer.PASS
    assert result.cases[0].p_fails_more > 0.9


def test_pass_at_an_early_look_pays_with_its_weight() -> None:
    """What passes as the only look goes on as the first of four."""
    new = [TurnAttempt(i, Outcome.VALID, value) for i, value in enumerate((375.0, 390.0, 368.0, 384.0))]
    case = GateCase("close", _case(valid=4), case_from_attempts(new))
    only, first = _gate(case), _gate(case, looks=(4, 6, 8, 10))
    assert only.p_pass is not None
    assert 0.05 * 0.05 < only.p_pass < 0.05
    assert only.answer is GateAnswer.PASS
    assert (first.answer, first.reason, first.stopped) == (
        GateAnswer.INCONCLUSIVE,
        GateReason.MEAN_OPEN,
        False,
    )
