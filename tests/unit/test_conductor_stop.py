"""Stopped once, stopped twice, out of room, clock set: whatever ends or disturbs a visit, the store stays whole."""

import asyncio

import pytest
from visit_fakes import (
    LINK_DOWN,
    Call,
    FakeOperator,
    FakePath,
    MemoryKeeper,
    Visit,
    basement_plan,
    broken,
    steady,
)

from sitetest.engines.base import FailureKind, TransferResult
from sitetest.plan.cases import Leg, Turn
from sitetest.store.records import Status
from sitetest.visit.events import AttemptStarted, AttemptStored, Event, TransferStarted, VisitEnded

OK, INTERRUPTED = Status.OK, Status.INTERRUPTED


async def test_the_first_stop_keeps_the_running_transfer_as_interrupted_and_begins_nothing_more() -> None:
    """Ctrl-C once: the seconds so far are kept; the network is not asked about it."""
    visit = Visit(basement_plan(("auto",) * 3), lambda call: steady(call.spec) if call.number == 1 else None)

    def at_second(event: Event) -> None:
        if isinstance(event, TransferStarted) and event.slot.turn == 2:
            visit.stop.set()

    visit.subscribers = (at_second,)
    outcome = await visit.run()
    assert visit.statuses == [OK, INTERRUPTED]
    assert visit.records[1].reason == "stopped: stopped by the person"
    assert len(visit.records[1].seconds) == 2
    assert visit.path.diagnosed == []
    assert (outcome.outcome, outcome.open_slots) == ("interrupted", 2)
    assert visit.keeper.ended == ["interrupted"]


async def test_a_stop_between_attempts_begins_nothing_more() -> None:
    """What is measured stays measured."""
    visit = Visit(basement_plan(("auto",) * 3))

    def after_first(event: Event) -> None:
        if isinstance(event, AttemptStored):
            visit.stop.set()

    visit.subscribers = (after_first,)
    outcome = await visit.run()
    assert (visit.statuses, outcome.outcome, outcome.open_slots) == ([OK], "interrupted", 2)


async def test_a_stop_before_the_begin_measures_nothing_and_leaves_a_visit_to_resume() -> None:
    """The visit is kept, with its end."""
    visit = Visit(basement_plan(("auto",)))
    visit.stop.set()
    outcome = await visit.run()
    assert (visit.records, outcome.outcome, visit.keeper.ended) == ([], "interrupted", ["interrupted"])


async def test_an_invalid_attempt_kept_while_stopping_says_that_resume_tries_again() -> None:
    """The next step must be true: nothing is tried now."""
    visit = Visit(basement_plan(("auto",)), lambda call: None)

    def stop(event: Event) -> None:
        if isinstance(event, TransferStarted):
            visit.stop.set()

    visit.subscribers = (stop,)
    await visit.run()
    stored = [event for event in visit.events if isinstance(event, AttemptStored)]
    assert [event.next_step for event in stored] == ["is left open; --resume tries it again"]


async def test_the_second_stop_ends_at_once_and_the_announcement_stands() -> None:
    """Cancellation of the task: the store has the attempt as interrupted, and the end of the visit."""
    visit = Visit(basement_plan(("auto",) * 2), lambda call: steady(call.spec) if call.number == 1 else None)
    began = asyncio.Event()

    def at_second(event: Event) -> None:
        if isinstance(event, TransferStarted) and event.slot.turn == 2:
            began.set()

    visit.subscribers = (at_second,)
    task = asyncio.create_task(visit.run())
    await began.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert visit.statuses == [OK, INTERRUPTED]
    assert visit.records[1].reason.startswith("agent_ended: ")
    assert visit.keeper.ended == ["interrupted"]
    assert len(visit.heard(VisitEnded)) == 1


class SlowOperator(FakeOperator):
    """A person who has gone for tea."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = asyncio.Event()
        self.left_alone = False

    async def switch_to(self, turn: Turn) -> None:
        self.asked.set()
        try:
            await asyncio.Event().wait()
        finally:
            self.left_alone = True


async def test_a_stop_ends_the_wait_for_a_person() -> None:
    """And the question is taken back."""
    operator = SlowOperator()
    visit = Visit(basement_plan(("auto", "wide80")), operator=operator)
    task = asyncio.create_task(visit.run())
    await operator.asked.wait()
    visit.stop.set()
    assert (await task).outcome == "interrupted"
    assert operator.left_alone


async def test_a_stop_ends_the_wait_for_a_path() -> None:
    """Ten minutes of patience must not hold up a person who wants to go home."""
    visit = Visit(
        basement_plan(("auto",)),
        lambda call: broken(call.spec, FailureKind.LINK_LOST, until_s=4.0),
        path=FakePath({Leg.LAN: [LINK_DOWN]}, answering=[True, False]),
    )
    original = visit.clock.sleep

    async def sleep(duration_s: float) -> None:
        visit.stop.set()
        await original(duration_s)

    visit.clock.sleep = sleep  # type: ignore[method-assign]
    outcome = await visit.run()
    assert outcome.outcome == "interrupted"
    assert len(visit.clock.slept_s) <= 1


def writes_of_a_whole_visit() -> int:
    """begin_visit, then begin_turn, begin_attempt and end_attempt for each of 3 turns, then end_visit."""
    return 1 + 3 * 3 + 1


@pytest.mark.parametrize("full_at", range(1, writes_of_a_whole_visit() + 1))
async def test_a_full_store_ends_the_visit_wherever_it_strikes(full_at: int) -> None:
    """Nothing more is measured, nothing kept before is lost, and nothing is announced that is not kept."""
    visit = Visit(basement_plan(("auto",) * 3), keeper=MemoryKeeper(full_at=full_at))
    outcome = await visit.run()
    assert outcome.outcome == "store_full"
    ended = sum(what == "end_attempt" for what, _ in visit.keeper.log)
    assert len(visit.heard(AttemptStored)) == ended
    assert len(visit.heard(AttemptStarted)) - ended <= 1
    assert len(visit.heard(VisitEnded)) == 1
    assert outcome.open_slots == 3 - ended


async def test_the_number_of_writes_is_what_the_test_above_thinks() -> None:
    """So that it strikes at every one of them."""
    visit = Visit(basement_plan(("auto",) * 3))
    await visit.run()
    assert sum(what != "event" for what, _ in visit.keeper.log) == writes_of_a_whole_visit()


@pytest.mark.parametrize("step_s", [-3600.0, 7200.0])
async def test_a_clock_that_is_set_is_noticed_flagged_and_harmless(step_s: float) -> None:
    """Order and durations come from the monotonic clock; the attempt during which it happened carries a note."""

    def script(call: Call) -> TransferResult:
        if call.number == 2:
            visit.clock.set_wall(step_s)
        return steady(call.spec)

    visit = Visit(basement_plan(("auto",) * 3), script)
    await visit.run()
    assert [[flag.name for flag in record.flags] for record in visit.records] == [[], ["clock_step"], []]
    assert visit.records[1].flags[0].severity == "note"
    assert visit.notes() == ["clock_step"]
    offsets = [record.offset_s for record in visit.records]
    assert offsets == sorted(offsets)
    assert [record.order_index for record in visit.records] == [1, 2, 3]
    assert all(record.wall_s == pytest.approx(11.1) for record in visit.records)
    assert (visit.records[2].started_at < visit.records[1].started_at) is (step_s < 0)


async def test_a_small_correction_of_the_clock_is_not_a_step() -> None:
    """NTP at work must not fill the record with notes."""

    def script(call: Call) -> TransferResult:
        visit.clock.set_wall(0.4)
        return steady(call.spec)

    visit = Visit(basement_plan(("auto",) * 3), script)
    await visit.run()
    assert visit.notes() == []
