"""The data cap over the internet legs of a visit: never passed knowingly, and what it ends is said."""

from dataclasses import replace

import pytest
from bookshop_visit import attempt
from visit_fakes import Call, FakeOperator, Visit, basement_plan, steady

from sitetest.engines.base import Failure, FailureKind, TransferResult
from sitetest.plan.cases import Leg
from sitetest.store.records import Status
from sitetest.visit.data_budget import CUT_OFF, left_bytes, predicted_bytes
from sitetest.visit.events import AttemptStored

ONE_TRANSFER = 100e6 / 8 * 11.1  # 100 Mbit/s for 1 s of warm-up and 10.1 s: what steady() moves
BOTH_LEGS = (Leg.LAN, Leg.INTERNET)


def hundred(call: Call) -> TransferResult:
    return steady(call.spec, 100.0)


async def test_internet_slots_end_when_the_next_transfer_would_pass_the_cap_and_the_lan_goes_on() -> None:
    """Room for two transfers and a half: two are made, the rest is settled as not run, said once, and kept."""
    plan = basement_plan(("auto",) * 4, legs=BOTH_LEGS, internet_data_bytes=round(2.5 * ONE_TRANSFER))
    visit = Visit(plan, hundred)
    outcome = await visit.run()
    assert [record.leg for record in visit.records] == ["lan", "internet"] * 2 + ["lan"] * 2
    assert outcome.outcome == "complete"
    assert outcome.open_slots == 0
    assert [(slot.turn, slot.case.leg) for slot in outcome.without_result] == [(3, Leg.INTERNET), (4, Leg.INTERNET)]
    assert visit.notes() == ["data_cap"]
    assert "Internet measurements not run: 2" in visit.keeper.events[0].detail
    last = [event for event in visit.events if isinstance(event, AttemptStored)][-1]
    assert (last.done, last.total) == (8, 8)


async def test_every_internet_transfer_is_told_what_is_left_and_no_lan_transfer_is() -> None:
    """spec.max_bytes: the cap itself at first, then less what the receiver saw."""
    cap = round(10 * ONE_TRANSFER)
    visit = Visit(basement_plan(("auto",) * 2, legs=BOTH_LEGS, internet_data_bytes=cap), hundred)
    await visit.run()
    limits = [call.spec.max_bytes for call in visit.calls]
    moved = visit.records[1].moved_bytes
    assert limits == [None, cap, None, cap - moved]
    assert moved == pytest.approx(ONE_TRANSFER, rel=1e-3)


async def test_a_transfer_that_is_stopped_by_the_cap_is_invalid_and_not_tried_again() -> None:
    """With nothing left the retry is not run either; the data stay within the cap."""
    cap = round(0.5 * ONE_TRANSFER)

    def script(call: Call) -> TransferResult:
        whole = steady(call.spec, 100.0, until_s=5.55)
        return replace(whole, failure=Failure(FailureKind.DATA_CAP, "stopped at the permitted volume"))

    visit = Visit(basement_plan(("auto",), legs=(Leg.INTERNET,), internet_data_bytes=cap), script)
    outcome = await visit.run()
    assert [(record.status, record.reason.split(":")[0]) for record in visit.records] == [(Status.INVALID, "data_cap")]
    assert len(outcome.without_result) == 1
    assert visit.records[0].moved_bytes <= cap


async def test_a_turn_in_which_nothing_may_run_is_not_begun() -> None:
    """Nobody is asked to switch an access point for nothing."""
    operator = FakeOperator()
    plan = basement_plan(("auto", "wide80"), legs=(Leg.INTERNET,), internet_data_bytes=round(1.5 * ONE_TRANSFER))
    visit = Visit(plan, hundred, operator=operator)
    await visit.run()
    assert operator.switched == ["auto"]
    assert [turn.turn for turn in visit.keeper.turns] == [1]


async def test_what_moved_before_an_interruption_counts_after_it() -> None:
    """The cap is of the visit, not of one part of it."""
    plan = basement_plan(("auto",) * 3, legs=(Leg.INTERNET,), internet_data_bytes=round(2.5 * ONE_TRANSFER))
    first = Visit(plan, hundred)

    def stop(event: object) -> None:
        if isinstance(event, AttemptStored) and event.done == 2:
            first.stop.set()

    first.subscribers = (stop,)
    await first.run()
    second = Visit(plan, hundred)
    second.keeper.kept.update(first.keeper.kept)
    outcome = await second.resume()
    assert (second.calls, len(outcome.without_result)) == ([], 1)


SLOT = basement_plan(("auto",), legs=(Leg.INTERNET,)).slots[0]
TOTAL_S = 33.0


def test_prediction_is_the_median_rate_of_the_direction_over_the_whole_transfer() -> None:
    """80 Mbit/s for 33 s are 330 MB; failed and foreign attempts say nothing."""
    history = [attempt(SLOT, rate) for rate in (70.0, 80.0, 900.0)]
    history += [attempt(SLOT, 1.0, status=Status.FAILED), attempt(SLOT, 5.0, direction="upload")]
    assert predicted_bytes(history, SLOT.case, TOTAL_S) == 330_000_000
    assert predicted_bytes([], SLOT.case, TOTAL_S) is None


def test_an_attempt_cut_off_with_the_agent_is_charged_with_what_its_direction_moves() -> None:
    """It left no count. Internet rates first, then the LAN's, then nothing."""
    cut = attempt(SLOT, None, status=Status.INTERRUPTED, reason=f"{CUT_OFF}: the agent ended")
    lan = attempt(SLOT, 400.0, leg="lan")
    internet = attempt(SLOT, 80.0, moved_bytes=1_000)
    assert left_bytes(2_000_000_000, [cut]) == 2_000_000_000
    assert left_bytes(2_000_000_000, [lan, cut]) == 2_000_000_000 - 1_650_000_000
    assert left_bytes(2_000_000_000, [lan, internet, cut]) == 2_000_000_000 - 1_000 - 330_000_000
    assert left_bytes(1_000, [lan, cut]) == 0
