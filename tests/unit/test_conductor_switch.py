"""How AP configs are applied during a visit, and that nothing is measured under a wrong name."""

import pytest
from visit_fakes import FakeOperator, FakePath, FakeSwitch, Visit, basement_plan

from sitetest.errors import Exit, NotApplied
from sitetest.visit.agenda import Agenda
from sitetest.visit.conductor import Patience
from sitetest.visit.events import SwitchStarted

ABBA = ("auto", "wide80", "wide80", "auto")


async def test_a_command_is_run_at_every_turn_also_for_the_same_ap_config() -> None:
    """Two turns of one AP config are two measurements only if it was applied twice (docs/method.md)."""
    switch = FakeSwitch()
    visit = Visit(basement_plan(ABBA), switch=switch, by_command=True)
    await visit.run()
    assert switch.applied == list(ABBA)
    assert [turn.switched for turn in visit.keeper.turns] == ["command"] * 4
    assert [event.by for event in visit.events if isinstance(event, SwitchStarted)] == ["command"] * 4


async def test_with_one_ap_config_the_command_is_run_once() -> None:
    """There is nothing to switch between."""
    switch = FakeSwitch()
    visit = Visit(basement_plan(("auto",) * 3), switch=switch, by_command=True)
    await visit.run()
    assert switch.applied == ["auto"]
    assert [turn.switched for turn in visit.keeper.turns] == ["command", "kept", "kept"]


async def test_a_command_that_fails_is_tried_again_after_a_pause() -> None:
    """An access point may be busy for a moment."""
    switch = FakeSwitch(["exit code 1", "exit code 1"])
    visit = Visit(basement_plan(("auto", "wide80")), switch=switch, by_command=True)
    outcome = await visit.run()
    assert switch.applied == ["auto", "auto", "auto", "wide80"]
    assert visit.clock.slept_s == [5.0, 5.0]
    assert outcome.without_result == ()


async def test_a_turn_that_was_lost_and_replaced_is_not_measured_again_on_resume() -> None:
    """What could not be applied leaves no attempt behind; its replacement's attempt tells a resumed visit enough."""
    visit = Visit(basement_plan(ABBA), switch=FakeSwitch(["exit code 1"] * 3), by_command=True)
    await visit.run()
    agenda = Agenda(visit.plan, tuple(visit.keeper.kept.values()))
    assert 1 not in {record.turn for record in agenda.attempts}
    assert agenda.open == 0
    assert agenda.next_turn() is None
    assert agenda.without_result == ()


async def test_when_the_command_keeps_failing_the_person_is_asked() -> None:
    """Somebody is there: the visit need not lose the turn."""
    operator = FakeOperator()
    visit = Visit(
        basement_plan(("auto", "wide80")),
        switch=FakeSwitch(["no answer"] * 3),
        operator=operator,
        by_command=True,
        patience=Patience(apply_tries=3),
    )
    await visit.run()
    assert operator.switched == ["auto"]
    assert [turn.switched for turn in visit.keeper.turns] == ["operator", "command"]
    assert visit.notes() == ["not_applied"]


async def test_when_nobody_can_apply_it_the_turn_is_lost_and_replaced_once() -> None:
    """Never measured under a wrong name: three tries, then the replacement at the end of the quad."""
    switch = FakeSwitch(["no answer"] * 3)
    visit = Visit(basement_plan(("auto", "wide80", "wide80", "auto")), switch=switch, by_command=True)
    outcome = await visit.run()
    assert [(record.turn, record.ap_config) for record in visit.records] == [
        (2, "wide80"),
        (3, "wide80"),
        (4, "auto"),
        (5, "auto"),
    ]
    assert outcome.without_result == ()
    assert visit.notes() == ["not_applied"]
    assert "no answer" in visit.keeper.events[1].detail


async def test_a_command_that_never_works_ends_the_run_after_two_turns() -> None:
    """All others would be lost as well; what to do is said."""
    switch = FakeSwitch(["no answer"] * 100)
    visit = Visit(basement_plan(("auto",) * 6), switch=switch, by_command=True)
    with pytest.raises(NotApplied, match="'auto' could not be applied in 2 turns, and never was: no answer") as ended:
        await visit.run()
    assert "--resume" in ended.value.next_step
    assert ended.value.exit_code is Exit.WRONG_USE
    assert (switch.applied, visit.records) == (["auto"] * 6, []), "two turns of three tries"


async def test_a_command_that_worked_once_may_fail_for_a_while() -> None:
    """An access point that is away at night must not end a soak test."""
    plan = basement_plan(("auto", "wide80", "auto", "wide80", "auto", "wide80"))
    visit = Visit(plan, switch=FakeSwitch([None, None, *["no answer"] * 12]), by_command=True)
    assert (await visit.run()).outcome == "complete"
    turns = [turn.turn for turn in visit.keeper.turns]
    assert turns[:2] == [1, 2]
    assert {3, 4}.isdisjoint(turns), "both AP configs failed in two turns running"
    assert len(turns) > 2


async def test_somebody_who_can_be_asked_is_asked_each_time() -> None:
    """With a person there no number of failures ends the run."""
    operator = FakeOperator()
    switch = FakeSwitch(["no answer"] * 100)
    visit = Visit(basement_plan(("auto", "wide80") * 3), switch=switch, operator=operator, by_command=True)
    assert (await visit.run()).without_result == ()
    assert len(operator.switched) == 6


async def test_without_command_and_person_the_second_ap_config_is_not_measured_as_the_first() -> None:
    """The preflight refuses such a plan; the conductor must not mislabel it either."""
    visit = Visit(basement_plan(("auto", "wide80")), path=FakePath(association="not_wifi"))
    outcome = await visit.run()
    assert visit.records == []
    assert len(outcome.without_result) == 2
