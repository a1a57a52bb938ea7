"""A visit that was cut and resumed settles the same slots as one that was not, wherever it was cut."""

import asyncio
from dataclasses import replace

import pytest
from visit_fakes import Call, FakeOperator, Visit, basement_plan, broken, steady

from sitetest.engines.base import FailureKind, TransferResult
from sitetest.plan.cases import Leg, Plan
from sitetest.store.records import Purpose, Status
from sitetest.visit.agenda import Agenda, key_of
from sitetest.visit.events import AttemptStored, Event, TransferStarted, VisitStarted
from sitetest_wire.words import Direction

RATES = {("auto", 1): 400.0, ("auto", 2): 402.0, ("auto", 3): 90.0, ("wide80", 2): 1500.0}


def plan() -> Plan:
    return basement_plan(
        ("auto", "wide80", "wide80", "auto", "wide80", "auto"),
        legs=(Leg.LAN, Leg.INTERNET),
        directions=(Direction.DOWNLOAD, Direction.UPLOAD),
        internet_data_bytes=10**12,
    )


def script(call: Call) -> TransferResult:
    """By slot and whole tries alone, so that it gives the same however often the agent died in between: an invalid
    try, a slot that is given up, a failure, and outliers to both sides."""
    record = call.record
    if (record.turn, record.leg, record.direction) == (2, "lan", "download"):
        return replace(steady(call.spec), shared=call.finished_tries < 1)
    if (record.turn, record.leg, record.direction) == (4, "internet", "upload"):
        return replace(steady(call.spec), shared=True)
    if (record.turn, record.leg, record.direction) == (5, "lan", "upload"):
        return broken(call.spec, FailureKind.STALLED, until_s=5.0)
    return steady(call.spec, RATES.get((record.ap_config, record.repeat), 401.0))


@pytest.fixture(scope="module")
def whole() -> Visit:
    """The visit that nothing cut."""
    visit = Visit(plan(), script, operator=FakeOperator())
    assert asyncio.run(visit.run()).outcome == "complete"
    return visit


def test_the_uncut_visit_has_all_that_makes_resuming_hard(whole: Visit) -> None:
    """A replacement turn, extra turns, invalid and failed tries: otherwise the tests below would show little."""
    turns = [record.turn for record in whole.records]
    assert max(turns) > 12, "extra turns"
    assert 10 in turns, "the replacement of turn 4"
    assert {Status.INVALID, Status.FAILED} <= set(whole.statuses)
    assert {Purpose.EXTRA, Purpose.AGAIN} <= {record.purpose for record in whole.records}


ATTEMPTS = 35
"""Of the uncut visit; asserted below, so that every one of them is a place to cut at."""


def test_the_number_of_attempts_is_what_the_tests_below_think(whole: Visit) -> None:
    """See ATTEMPTS."""
    assert len(whole.records) == ATTEMPTS


@pytest.mark.parametrize("cut_after", range(1, ATTEMPTS + 1))
@pytest.mark.parametrize("how", ["stopped between attempts", "killed in the middle of one", "killed before the labels"])
async def test_cut_anywhere_and_resumed_is_the_same_visit(cut_after: int, how: str, whole: Visit) -> None:
    """Same slots, same tries, same values, same labels; nothing that was settled is measured again."""
    first = Visit(plan(), script, operator=FakeOperator())
    count = 0

    def cut(event: Event) -> None:
        nonlocal count
        kind = AttemptStored if how.startswith("stopped") else TransferStarted
        count += isinstance(event, kind)
        if count == cut_after and isinstance(event, kind):
            if how.startswith("stopped"):
                first.stop.set()
            else:
                task.cancel()

    if how == "killed before the labels":
        first.keeper.add_flag = lambda test_id, flag: None  # type: ignore[method-assign]
    first.subscribers = (cut,)
    task = asyncio.create_task(first.run())
    try:
        await task
    except asyncio.CancelledError:
        assert how.startswith("killed")
    settled_before = first.keeper.settled()

    second = Visit(plan(), script, operator=FakeOperator())
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    second.keeper.turns.extend(first.keeper.turns)
    outcome = await second.resume()
    assert outcome.outcome == "complete"
    assert second.keeper.settled() == whole.keeper.settled()
    assert {record.turn for record in second.records if record.flags} == {
        record.turn for record in whole.records if record.flags
    }
    assert [slot.key for slot in outcome.without_result] == []
    done = {key for key, tries in settled_before.items() if tries[-1][0] is not Status.INVALID}
    assert not done & {key_of(call.record) for call in second.calls}, "a settled slot was measured again"
    indices = [record.order_index for record in second.records]
    assert indices == list(range(1, len(indices) + 1))
    started = next(event for event in second.events if isinstance(event, VisitStarted))
    if how != "killed before the labels":  # then the store alone does not know which extra repeats are wanted
        assert started.resumed == Agenda(plan(), first.keeper.attempts("visit-1")).done


async def test_a_partly_done_turn_begins_again_with_its_number_and_a_fresh_association() -> None:
    """Its open slots are measured in a turn of the same number, begun anew; the AP config is asked for again."""
    first = Visit(plan(), script, operator=FakeOperator())

    def stop_after_second(event: Event) -> None:
        if isinstance(event, AttemptStored) and event.done == 2:
            first.stop.set()

    first.subscribers = (stop_after_second,)
    await first.run()
    operator = FakeOperator()
    second = Visit(plan(), script, operator=operator)
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    await second.resume()
    assert [turn.turn for turn in second.keeper.turns][:2] == [1, 2]
    assert operator.switched[0] == "auto"
    in_first_turn = [call for call in second.calls if call.record.turn == 1]
    assert len(in_first_turn) == 2


async def test_an_attempt_cut_off_by_a_kill_is_kept_and_tried_again() -> None:
    """Its row stays as interrupted; the next try has the next number, and uses up none of the three."""
    first = Visit(basement_plan(("auto",)), lambda call: None)
    began = asyncio.Event()
    first.subscribers = (lambda event: began.set() if isinstance(event, TransferStarted) else None,)
    task = asyncio.create_task(first.run())
    await began.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    second = Visit(basement_plan(("auto",)), lambda call: replace(steady(call.spec), shared=call.finished_tries < 2))
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    await second.resume()
    assert [(record.attempt, record.status, record.purpose) for record in second.records] == [
        (1, Status.INTERRUPTED, Purpose.PLANNED),
        (2, Status.INVALID, Purpose.AGAIN),
        (3, Status.INVALID, Purpose.AGAIN),
        (4, Status.OK, Purpose.AGAIN),
    ]


async def test_a_complete_visit_resumed_measures_nothing() -> None:
    """Nothing is repeated that is done."""
    first = Visit(basement_plan(("auto",) * 2))
    await first.run()
    second = Visit(basement_plan(("auto",) * 2))
    second.keeper.kept.update(first.keeper.kept)
    outcome = await second.resume()
    assert (outcome.outcome, outcome.attempts, second.calls) == ("complete", 0, [])
