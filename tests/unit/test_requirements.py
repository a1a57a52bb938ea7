"""Requirements against the turns of a case: met, not met, not shown; the interval checked against scipy."""

import math

import numpy as np
import pytest
from bookshop_visit import attempt, bookshop_plan, failed
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from store_records import BEGAN

from sitetest.comparing.went_on import whole_turn_numbers
from sitetest.plan.site import Requirement
from sitetest.report.requirement_check import RequirementCheck, requirement_checks
from sitetest.stats.requirements import Finding, Fulfilment, at_least, at_most
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts, case_from_values
from sitetest.store.records import AttemptRecord, Status, TurnRecord

VALUES = (100.0, 110.0, 95.0, 105.0)
MET, NOT_MET, NOT_SHOWN = Fulfilment


def scipy_interval(values: tuple[float, ...]) -> tuple[float, float]:
    """The 95 % t interval of the mean of the logarithms, by scipy's own function."""
    logs = np.log(values)
    low, high = stats.t.interval(0.95, len(logs) - 1, loc=logs.mean(), scale=stats.sem(logs))
    return math.exp(low), math.exp(high)


LOW, HIGH = scipy_interval(VALUES)


def with_outcomes(*outcomes: Outcome, value: float = 100.0) -> CaseTurns:
    return case_from_attempts(TurnAttempt(number, outcome, value) for number, outcome in enumerate(outcomes, start=1))


@pytest.mark.parametrize(
    ("wanted", "fulfilment"),
    [
        (0.999 * LOW, MET), (1.001 * LOW, NOT_SHOWN), (102.0, NOT_SHOWN), (0.999 * HIGH, NOT_SHOWN),
        (1.001 * HIGH, NOT_MET),
    ],
)  # fmt: skip
def test_throughput_is_held_against_the_lower_end(wanted: float, fulfilment: Fulfilment) -> None:
    finding = at_least(wanted, case_from_values(VALUES))
    assert finding.fulfilment is fulfilment
    assert finding.low == pytest.approx(LOW)
    assert finding.high == pytest.approx(HIGH)


@pytest.mark.parametrize(
    ("wanted", "fulfilment"),
    [
        (1.001 * HIGH, MET), (0.999 * HIGH, NOT_SHOWN), (102.0, NOT_SHOWN), (1.001 * LOW, NOT_SHOWN),
        (0.999 * LOW, NOT_MET),
    ],
)  # fmt: skip
def test_latency_is_held_against_the_upper_end(wanted: float, fulfilment: Fulfilment) -> None:
    case = case_from_values((500.0,) * 4)
    assert at_most(wanted, [math.log(value) for value in VALUES], case).fulfilment is fulfilment


@pytest.mark.parametrize("values", [(), (100.0,), (100.0, 101.0)])
def test_fewer_than_three_turns_show_nothing_however_clear_they_look(values: tuple[float, ...]) -> None:
    said = Finding(NOT_SHOWN, len(values), why="an interval needs 3 turns with a value", turns_needed=3)
    assert at_least(1.0, case_from_values(values)) == said
    assert at_most(1000.0, [math.log(value) for value in values], case_from_values(values)) == said


OK, BAD, INVALID = Outcome.VALID, Outcome.FAILED, Outcome.INVALID


@pytest.mark.parametrize(
    ("case", "fulfilment", "why"),
    [
        (with_outcomes(OK, OK, OK, BAD), NOT_SHOWN, "1 of 4 turns failed"),
        (with_outcomes(OK, OK, OK, BAD, BAD), NOT_MET, "2 of 5 turns failed"),
        (with_outcomes(BAD, BAD, BAD), NOT_MET, "3 of 3 turns failed"),
        (with_outcomes(BAD, BAD), NOT_SHOWN, "an interval needs 3 turns with a value"),
        (with_outcomes(OK, OK, OK, INVALID), MET, ""),
        (with_outcomes(OK, OK, OK, INVALID, INVALID), NOT_SHOWN, "2 of 5 attempts were invalid"),
    ],
)
def test_failures_and_invalid_attempts_stand_in_the_way_of_met(
    case: CaseTurns, fulfilment: Fulfilment, why: str
) -> None:
    for finding in (at_least(50.0, case), at_most(200.0, case.logs, case)):
        assert (finding.fulfilment, finding.why) == (fulfilment, why)


def test_a_failed_turn_does_not_soften_not_met() -> None:
    assert at_least(500.0, with_outcomes(OK, OK, OK, BAD)).fulfilment is NOT_MET


def test_a_turn_without_a_round_trip_time_stands_in_the_way_of_met() -> None:
    logs = [math.log(40.0)] * 3
    case = case_from_values((500.0,) * 4)
    finding = at_most(100.0, logs, case)
    assert (finding.fulfilment, finding.n, finding.why) == (NOT_SHOWN, 3, "1 of 4 turns have no such figure")
    assert finding.typical == pytest.approx(40.0)
    assert at_most(30.0, logs, case).fulfilment is NOT_MET


def test_turns_needed_are_the_fewest_whose_interval_would_clear_the_bound() -> None:
    """Against scipy's t: at the mean and spread seen, that many turns leave the bound outside, one fewer does not."""
    finding = at_least(98.0, case_from_values(VALUES))
    assert finding.fulfilment is NOT_SHOWN
    assert finding.turns_needed is not None
    logs = np.log(VALUES)

    def low(turns: int) -> float:
        return float(np.exp(logs.mean() - stats.t.ppf(0.975, turns - 1) * logs.std(ddof=1) / math.sqrt(turns)))

    assert low(finding.turns_needed) > 98.0 >= low(finding.turns_needed - 1)


def test_a_bound_at_the_very_mean_is_no_matter_of_turns() -> None:
    middle = math.exp(float(np.log(VALUES).mean()))
    assert at_least(middle, case_from_values(VALUES)).turns_needed is None


@given(values=st.lists(st.floats(min_value=1, max_value=1000), min_size=3, max_size=12), wanted=st.floats(1, 1000))
def test_more_is_never_worse(values: list[float], wanted: float) -> None:
    """A requirement that is met is met by twice the throughput, and one that is not met is not met by half of it."""
    order = [NOT_MET, NOT_SHOWN, MET]
    found = [at_least(wanted, case_from_values(value * factor for value in values)) for factor in (0.5, 1, 2)]
    places = [order.index(one.fulfilment) for one in found]
    assert places == sorted(places)


# --- from kept attempts ---------------------------------------------------------------------------------------------

NEED = Requirement(location="basement", throughput_down_mbps=90.0, loaded_rtt_ms=50.0, source="the owner, in March")
SLOT = bookshop_plan().slots[0]  # auto download


def visit(values: tuple[float | None, ...] = VALUES, rtt_ms: float | None = 40.0) -> list[AttemptRecord]:
    return [
        attempt(SLOT, value, turn=turn, test_id=f"test-{turn}", rtt_loaded_p95_ms=rtt_ms)
        if value
        else failed(SLOT, "stalled: x")
        for turn, value in enumerate(values, start=1)
    ]


def only(checks: tuple[RequirementCheck, ...], what: str) -> RequirementCheck:
    (check,) = (check for check in checks if check.what == what)
    return check


def test_each_figure_is_held_against_the_cases_of_its_direction() -> None:
    upload = attempt(bookshop_plan().slots[1], 20.0)
    checks = requirement_checks([NEED], [*visit(), upload])
    said = [(check.case.direction, check.what, check.wanted, check.finding.fulfilment) for check in checks]
    assert said == [
        ("download", "throughput_mbps", 90.0, MET),
        ("download", "rtt_loaded_p95_ms", 50.0, MET),
        ("upload", "rtt_loaded_p95_ms", 50.0, NOT_SHOWN),
    ]


def test_requirements_of_other_locations_are_left_out_and_those_for_all_are_not() -> None:
    attic = Requirement(location="attic", throughput_down_mbps=1.0)
    everywhere = Requirement(throughput_down_mbps=1.0)
    checks = requirement_checks([attic, everywhere], visit())
    assert [check.requirement for check in checks] == [everywhere]


def test_only_counted_attempts_count_and_each_turn_once() -> None:
    spoilt = attempt(SLOT, 1.0, turn=4, test_id="spoilt", status=Status.INVALID, reason="shared: x")
    twice = attempt(SLOT, 105.0, turn=4, test_id="twice", rtt_loaded_p95_ms=40.0)
    check = only(requirement_checks([NEED], [*visit(), spoilt, twice]), "throughput_mbps")
    assert check.finding.n == 4
    assert check.finding.low == pytest.approx(LOW)


def test_an_attempt_whose_round_trip_time_nobody_knows_leaves_its_turn_without() -> None:
    records = visit()
    for unknown in (None, math.inf):
        changed = [*records[:3], attempt(SLOT, 105.0, turn=4, test_id="test-4", rtt_loaded_p95_ms=unknown)]
        finding = only(requirement_checks([NEED], changed), "rtt_loaded_p95_ms").finding
        assert (finding.fulfilment, finding.why) == (NOT_SHOWN, "1 of 4 turns have no such figure")


def test_a_turn_of_two_attempts_needs_both_round_trip_times() -> None:
    second = attempt(SLOT, 105.0, turn=4, test_id="second", repeat=2)
    assert only(requirement_checks([NEED], [*visit(), second]), "rtt_loaded_p95_ms").finding.n == 3


def turn(number: int, association: str = "asked", ap_config: str = "auto") -> TurnRecord:
    return TurnRecord("visit-1", number, 1, ap_config, BEGAN, association, "kept")


def test_turns_that_only_went_on_are_one_turn() -> None:
    """docs/method.md: two turns of one AP config are two only if the laptop associates anew in between."""
    went_on = [turn(1), *(turn(number, "not_possible") for number in (2, 3, 4))]
    assert whole_turn_numbers(went_on) == {1: 1, 2: 1, 3: 1, 4: 1}
    between = [turn(1), turn(2, "not_possible", "wide80"), turn(3, "not_possible"), turn(3), turn(4)]
    assert whole_turn_numbers(between) == {1: 1, 2: 2, 3: 3, 4: 4}
    alone = only(requirement_checks([NEED], visit(), went_on), "throughput_mbps").finding
    assert (alone.fulfilment, alone.n) == (NOT_SHOWN, 1)
    assert only(requirement_checks([NEED], visit(), between), "throughput_mbps").finding.n == 4


def test_as_json_a_check_says_what_it_rests_on() -> None:
    told = only(requirement_checks([NEED], visit()), "throughput_mbps").to_json()
    assert told["fulfilment"] == "met"
    assert (told["at_least"], told["turns"], told["source"]) == (90.0, 4, "the owner, in March")
    assert told["low"] == pytest.approx(LOW)
    assert "at_most" in only(requirement_checks([NEED], visit()), "rtt_loaded_p95_ms").to_json()
