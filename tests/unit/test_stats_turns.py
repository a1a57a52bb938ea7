"""Turns from attempts: what counts as one, and what never becomes a value."""

from math import exp, log

import pytest

from sitetest.stats.turns import Outcome, TurnAttempt, case_from_attempts, case_from_values


def test_turn_value_is_the_mean_of_the_logs_of_its_valid_attempts() -> None:
    """Two valid attempts in a turn are one turn, with their geometric mean."""
    case = case_from_attempts([TurnAttempt(1, Outcome.VALID, 200.0), TurnAttempt(1, Outcome.VALID, 800.0)])
    assert len(case.turns) == 1
    assert exp(case.logs[0]) == pytest.approx(400.0)
    assert case.attempts == 2


def test_invalid_attempts_have_no_value_and_are_counted_by_reason() -> None:
    """A turn with only invalid attempts is lost: not a turn, and not forgotten."""
    case = case_from_attempts(
        [
            TurnAttempt(1, Outcome.INVALID, 999.0, "roamed"),
            TurnAttempt(1, Outcome.VALID, 400.0),
            TurnAttempt(2, Outcome.INVALID, 1.0, "cpu"),
            TurnAttempt(2, Outcome.INVALID, None, "roamed"),
        ]
    )
    assert [turn.turn for turn in case.turns] == [1]
    assert case.logs == (log(400.0),)
    assert (case.attempts, case.invalid) == (4, 3)
    assert case.invalid_reasons == (("roamed", 2), ("cpu", 1))


def test_failed_attempt_is_never_retried_away() -> None:
    """A failed attempt followed by a valid one: the turn has a value and counts as failed."""
    case = case_from_attempts([TurnAttempt(1, Outcome.FAILED), TurnAttempt(1, Outcome.VALID, 400.0)])
    assert case.failed == 1
    assert case.logs == (log(400.0),)


def test_failed_turn_counts_as_a_turn_without_a_value() -> None:
    """Looks count valid and failed turns; the tests use the valid ones."""
    case = case_from_attempts([TurnAttempt(2, Outcome.FAILED), TurnAttempt(1, Outcome.VALID, 400.0)])
    assert [turn.log_mbps is None for turn in case.turns] == [False, True]
    assert len(case.valid_turns) == 1


@pytest.mark.parametrize("value", [None, 0.0, -1.0, float("nan"), float("inf")])
def test_valid_attempt_needs_a_finite_throughput_above_zero(value: float | None) -> None:
    """Zero payload is a failed attempt; a valid one without a usable figure is refused, with its turn named."""
    with pytest.raises(ValueError, match="turn 7"):
        case_from_attempts([TurnAttempt(7, Outcome.VALID, value)])


def test_values_are_one_turn_each_in_order() -> None:
    """A plain list of values: every row is its own turn."""
    case = case_from_values([100.0, 200.0, 300.0])
    assert [round(exp(value)) for value in case.logs] == [100, 200, 300]
    assert [round(exp(value)) for value in case.first(2).logs] == [100, 200]
