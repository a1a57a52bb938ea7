"""A visit in which nothing goes wrong: order, what is kept before what is said, and what the rows carry."""

import pytest
from visit_fakes import FakeOperator, FakePath, Visit, basement_plan, steady

from sitetest.plan.cases import Leg
from sitetest.store.records import AttemptRecord, Purpose, Status
from sitetest.visit.events import (
    AttemptStarted,
    AttemptStored,
    Progressed,
    SwitchStarted,
    TransferStarted,
    TurnStarted,
    VisitEnded,
    VisitStarted,
)
from sitetest_wire.words import Direction

ABBA = ("auto", "wide80", "wide80", "auto")
BOTH = tuple(Direction)


async def test_the_plan_is_measured_in_its_order_and_ends_complete() -> None:
    """Turns, directions and legs in the order of the plan; each slot once."""
    plan = basement_plan(ABBA, legs=(Leg.LAN, Leg.INTERNET), directions=BOTH, internet_data_bytes=10**12)
    visit = Visit(plan, operator=FakeOperator())
    outcome = await visit.run()
    assert [(record.turn, record.direction, record.leg) for record in visit.records] == [
        (slot.turn, slot.case.direction, slot.case.leg) for slot in plan.slots
    ]
    assert (outcome.outcome, outcome.attempts, outcome.open_slots, outcome.without_result) == ("complete", 16, 0, ())
    assert visit.keeper.ended == ["complete"]
    assert [record.order_index for record in visit.records] == list(range(1, 17))
    assert {record.purpose for record in visit.records} == {Purpose.PLANNED}


async def test_facts_are_kept_before_they_are_announced() -> None:
    """begin_visit, begin_turn, begin_attempt, transfer, end_attempt, AttemptStored: never another order."""
    visit = Visit(basement_plan(("auto",)))
    await visit.run()
    names = [what if what != "event" else type(fact).__name__ for what, fact in visit.keeper.log]
    assert names == [
        "begin_visit",
        "VisitStarted",
        "begin_turn",
        "TurnStarted",
        "begin_attempt",
        "AttemptStarted",
        "TransferStarted",
        "Progressed",
        "end_attempt",
        "AttemptStored",
        "end_visit",
        "VisitEnded",
    ]


async def test_the_announcement_is_the_record_that_stands_if_the_agent_dies() -> None:
    """Interrupted, with its reason, before a byte moves."""
    visit = Visit(basement_plan(("auto",)))
    await visit.run()
    announced = next(fact for what, fact in visit.keeper.log if what == "begin_attempt")
    assert isinstance(announced, AttemptRecord)
    assert (announced.status, announced.reason) == (
        Status.INTERRUPTED,
        "agent_ended: the agent ended before this attempt did",
    )


async def test_a_row_carries_figures_case_and_clock() -> None:
    """100 Mbit/s for 10 s of window is 125 MB; wall time covers the whole transfer."""
    visit = Visit(basement_plan(("auto",)), lambda call: steady(call.spec, 100.0))
    await visit.run()
    record = visit.records[0]
    assert record.throughput_mbps == pytest.approx(100.0, rel=1e-3)
    assert record.received_bytes == pytest.approx(125_000_000, rel=1e-3)
    assert record.window_s == pytest.approx(10.0)
    assert [second.second for second in record.seconds] == list(range(10))
    assert sum(second.throughput_mbps for second in record.seconds) / 10 == pytest.approx(100.0, rel=1e-3)
    assert record.wall_s == pytest.approx(11.1)
    assert (record.access_point, record.firmware, record.server) == ("counter", "7.1", "lan-server")
    assert (record.status, record.reason, record.flags) == (Status.OK, "", ())


async def test_the_person_switches_only_when_something_changes_and_associates_at_every_turn() -> None:
    """A B B A: three switches; the two Bs are two turns because of the fresh association between them."""
    operator = FakeOperator()
    visit = Visit(basement_plan(ABBA), operator=operator)
    await visit.run()
    assert operator.switched == ["auto", "wide80", "auto"]
    assert [turn.switched for turn in visit.keeper.turns] == ["operator", "operator", "kept", "operator"]
    assert visit.path.associations == 4
    assert operator.reassociated == [], "the system did it"
    assert [event.by for event in visit.heard(SwitchStarted)] == ["operator"] * 3


@pytest.mark.parametrize(
    ("system", "operator", "expected"),
    [
        ("fresh", FakeOperator(), "fresh"),
        ("not_wifi", FakeOperator(), "not_wifi"),
        ("not_possible", FakeOperator(), "operator"),
        ("not_possible", FakeOperator(present=False), "not_possible"),
        ("not_possible", None, "not_possible"),
    ],
)
async def test_how_the_association_came_about_is_kept(
    system: str, operator: FakeOperator | None, expected: str
) -> None:
    """Where neither system nor person gives a fresh association, the record says so."""
    visit = Visit(basement_plan(("auto",)), path=FakePath(association=system), operator=operator)
    await visit.run()
    assert [turn.association for turn in visit.keeper.turns] == [expected]
    assert [event.association for event in visit.heard(TurnStarted)] == [expected]


async def test_the_turn_waits_until_the_server_answers_again() -> None:
    """Pauses of 0.5, 1 and 2 s: 3.5 s after the association, and that is recorded."""
    visit = Visit(basement_plan(("auto",)), path=FakePath(answering=[False, False, False, True]))
    await visit.run()
    assert visit.clock.slept_s == [0.5, 1.0, 2.0]
    assert [turn.back_s for turn in visit.keeper.turns] == [3.5]


async def test_with_nothing_done_there_is_nothing_to_wait_for() -> None:
    """One AP config and no Wi-Fi: back_s is None, not 0."""
    visit = Visit(basement_plan(("auto",)), path=FakePath(association="not_wifi"))
    await visit.run()
    assert visit.path.asked == []
    assert [turn.back_s for turn in visit.keeper.turns] == [None]


async def test_progress_counts_slots_and_time_shrinks() -> None:
    """done rises by one an attempt, total stays, the estimate falls to the last attempt's own time."""
    visit = Visit(basement_plan(("auto",) * 4))
    await visit.run()
    started = [event for event in visit.events if isinstance(event, AttemptStarted)]
    assert [(event.done, event.total) for event in started] == [(0, 4), (1, 4), (2, 4), (3, 4)]
    stored = [event for event in visit.events if isinstance(event, AttemptStored)]
    assert [(event.done, event.total) for event in stored] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    estimates = [event.left_s for event in started]
    assert estimates == sorted(estimates, reverse=True)
    assert estimates[-1] == pytest.approx(11.1, abs=0.1)


async def test_a_simulated_server_marks_every_row_and_the_start() -> None:
    """Nobody may take a demonstration for a measurement."""
    visit = Visit(basement_plan(("auto",) * 2), simulated="two AP configs, by pacing")
    await visit.run()
    for record in visit.records:
        assert [(flag.name, flag.severity) for flag in record.flags] == [("simulated", "note")]
    assert [event.simulated for event in visit.events if isinstance(event, VisitStarted)] == [
        "two AP configs, by pacing"
    ]


async def test_a_subscriber_that_fails_does_not_stop_the_visit(caplog: pytest.LogCaptureFixture) -> None:
    """The others still hear everything; the fault is logged once, not a thousand times."""
    visit = Visit(basement_plan(("auto",) * 2))

    def broken_screen(event: object) -> None:
        raise RuntimeError("no such colour")

    visit.subscribers = (broken_screen,)
    outcome = await visit.run()
    assert outcome.outcome == "complete"
    assert len(visit.heard(TransferStarted)) == 2
    assert len(visit.heard(Progressed)) == 2
    assert len(visit.heard(VisitEnded)) == 1
    assert len(caplog.records) == 1
