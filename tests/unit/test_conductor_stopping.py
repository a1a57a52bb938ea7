"""A comparison is decided as early as its looks allow; what is decided is measured no more, and nothing is lost."""

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import pytest
from compared_visit import by_repeat, compared_plan, rates
from visit_fakes import Call, FakeOperator, FakePath, Script, Visit, steady

from sitetest.engines.base import TransferResult
from sitetest.plan.cases import Plan
from sitetest.stats.answers import Reason, Verdict
from sitetest.stats.looks import Stop
from sitetest.store.records import AttemptRecord, Purpose, Status
from sitetest.visit.agenda import Agenda
from sitetest.visit.events import AttemptStarted, AttemptStored, Event, LookTaken, TransferStarted
from sitetest.visit.stopping import Standing

TIGHT = (400.0, 404.0, 396.0, 402.0, 398.0, 401.0)
FASTER = tuple(1.25 * value for value in TIGHT)
# About 10 % of spread and 4 % apart: nothing is decided at any look (the same values as in the tests of the looks).
LOOSE_A = (360.0, 440.0, 395.0, 420.0, 372.0, 431.0, 388.0, 409.0, 365.0, 436.0, 399.0, 415.0)
LOOSE_B = (450.0, 378.0, 418.0, 402.0, 445.0, 383.0, 425.0, 396.0, 452.0, 381.0, 412.0, 404.0)
DOWNLOAD = ("download",)


def tell(a: Sequence[float], b: Sequence[float], c: Sequence[float] = ()) -> Mapping[tuple[str, str], Sequence[float]]:
    return {
        (name, way): values
        for name, values in (("auto", a), ("wide80", b), ("wide160", c))
        for way in ("download", "upload")
    }


def visit_of(plan: Plan, script: Script) -> Visit:
    return Visit(plan, script, operator=FakeOperator())


def turns_of(visit: Visit, ap_config: str, direction: str = "download") -> int:
    return len({one.turn for one in visit.records if (one.ap_config, one.direction) == (ap_config, direction)})


def looks(visit: Visit) -> list[tuple[Standing, ...]]:
    return [event.standings for event in visit.heard(LookTaken)]


async def test_what_is_clear_at_the_first_look_is_measured_no_more() -> None:
    """Two quads of five: 16 of 40 measurements; those left over are decided, not lost."""
    visit = visit_of(compared_plan(), by_repeat(tell(TIGHT, FASTER)))
    outcome = await visit.run()
    assert (outcome.outcome, outcome.attempts, outcome.open_slots, outcome.without_result) == ("complete", 16, 0, ())
    (told,) = visit.heard(LookTaken)
    assert (told.saved, told.done, told.total, told.left_s) == (24, 16, 16, 0)
    assert [
        (one.verdict.verdict, one.verdict.stop, one.verdict.look_turns, one.next_turns) for one in told.standings
    ] == [(Verdict.B_FASTER, Stop.DIFFERENCE, 4, None)] * 2
    (kept,) = (event for event in visit.keeper.events if event.kind == "look_taken")
    assert [(one["look_turns"], one["stop"]) for one in json.loads(kept.detail)["comparisons"]] == [
        (4, "difference")
    ] * 2


async def test_equal_ones_are_shown_to_be_equal_and_stop_as_well() -> None:
    visit = visit_of(compared_plan(), by_repeat(tell(TIGHT, TIGHT)))
    assert (await visit.run()).attempts == 16
    assert {one.verdict.verdict for one in looks(visit)[-1]} == {Verdict.NO_PRACTICAL_DIFFERENCE}


async def test_what_is_open_goes_on_to_the_maximum_and_what_is_decided_does_not() -> None:
    """Download is decided at four turns; upload never: looks at 4, 6, 8 and 10, and no quad in reserve."""
    values = {**tell(LOOSE_A, LOOSE_B), ("auto", "download"): TIGHT, ("wide80", "download"): FASTER}
    visit = visit_of(compared_plan(), by_repeat(values))
    outcome = await visit.run()
    assert (outcome.outcome, outcome.open_slots, outcome.without_result) == ("complete", 0, ())
    assert [turns_of(visit, name, way) for name in ("auto", "wide80") for way in ("download", "upload")] == [4, 10] * 2
    assert [[one.verdict.look_turns for one in told] for told in looks(visit)] == [[4, 4], [4, 6], [4, 8], [4, 10]]
    assert [told[1].next_turns for told in looks(visit)] == [6, 8, 10, None]
    last = looks(visit)[-1][1].verdict
    assert (last.verdict, last.stop, last.weight) == (Verdict.NOT_ENOUGH_EVIDENCE, Stop.CAP, 0.70)
    assert last.more_turns is not None
    begun = visit.heard(AttemptStarted)
    assert (begun[0].done, begun[0].total) == (0, 40), "the quad in reserve is not wanted until it is asked for"
    stored = visit.heard(AttemptStored)
    assert (stored[-1].done, stored[-1].total) == (28, 28)
    assert {record.purpose for record in visit.records} == {Purpose.PLANNED}


async def test_a_comparison_that_no_turn_can_decide_is_given_up_when_asked() -> None:
    """At six turns, never at four (the method); without the option it goes on."""
    hopeless = tell((200.0, 600.0, 350.0, 480.0, 230.0, 560.0), (590.0, 210.0, 490.0, 340.0, 570.0, 240.0))
    visit = visit_of(compared_plan(directions=DOWNLOAD, give_up_early=True), by_repeat(hopeless))
    assert (await visit.run()).attempts == 12
    assert [told[0].verdict.stop for told in looks(visit)] == [None, Stop.GAVE_UP]
    patient = visit_of(compared_plan(directions=DOWNLOAD), by_repeat(hopeless))
    assert (await patient.run()).attempts >= 20


async def test_an_outlier_at_the_maximum_earns_one_quad_and_nothing_before() -> None:
    """The last look waits for the quad in reserve and is taken once; no extra repeat beside it."""
    dipped = (*LOOSE_A[:4], 60.0, *LOOSE_A[5:])
    visit = visit_of(compared_plan(directions=DOWNLOAD), by_repeat(tell(dipped, LOOSE_B)))
    outcome = await visit.run()
    assert (turns_of(visit, "auto"), turns_of(visit, "wide80"), outcome.without_result) == (12, 12, ())
    assert [told[0].verdict.look_turns for told in looks(visit)] == [4, 6, 8, 10, 12]
    owed, taken = (told[0] for told in looks(visit)[-2:])
    assert (owed.verdict.reason, owed.next_turns) == (Reason.EXTRA_QUAD_OWED, 12)
    assert (taken.verdict.stop, taken.verdict.weight) == (Stop.CAP, 0.70)
    assert sum(bool(record.flags) for record in visit.records) >= 1
    assert {record.purpose for record in visit.records} == {Purpose.PLANNED}
    assert not any("extra repeat" in event.next_step for event in visit.heard(AttemptStored))


async def test_a_third_config_goes_on_with_the_reference_after_the_second_is_decided() -> None:
    """B stops after four turns; A goes on, since C is still compared with it, and B stays decided all the while."""
    visit = visit_of(compared_plan(configs=3, directions=DOWNLOAD), by_repeat(tell(LOOSE_A, FASTER, LOOSE_B)))
    far = tell(LOOSE_A, tuple(3 * value for value in LOOSE_B), LOOSE_B)
    visit.script = by_repeat(far)
    outcome = await visit.run()
    assert [turns_of(visit, name) for name in ("auto", "wide80", "wide160")] == [10, 4, 10]
    assert (outcome.open_slots, outcome.without_result) == (0, ())
    for told in looks(visit):
        b, _ = told
        assert (b.pair.b.ap_config, b.verdict.verdict, b.verdict.look_turns) == ("wide80", Verdict.B_FASTER, 4)
    assert looks(visit)[-1][1].verdict.stop is Stop.CAP


def invalid_at(turn: int, script: Script, times: int = 3) -> Script:
    """Spoil the first tries at every slot of a turn."""

    def spoiled(call: Call) -> TransferResult | None:
        result = script(call)
        assert result is not None
        return replace(result, shared=call.record.turn == turn and call.finished_tries < times)

    return spoiled


async def test_a_look_waits_for_the_replacement_of_a_lost_turn() -> None:
    """A lost turn is no turn: with its replacement at the end of the quad the look comes at four turns all the same."""
    plan = compared_plan(directions=DOWNLOAD)
    visit = visit_of(plan, invalid_at(5, by_repeat(tell(TIGHT, FASTER))))
    outcome = await visit.run()
    valid = [record for record in visit.records if record.status is Status.OK]
    assert (len(valid), outcome.without_result) == (8, ())
    replacement = len(plan.turns) + 5
    assert valid[-1].turn == replacement
    (told,) = looks(visit)
    # three of seven or eight attempts invalid: more than a quarter, so that nothing may be said (docs/method.md)
    assert (told[0].verdict.stop, told[0].verdict.reason) == (Stop.DIFFERENCE, Reason.INVALID)


async def test_turns_that_no_fresh_association_began_are_not_turns_of_their_own() -> None:
    """A BB A A BB A ...: where nobody can give a fresh association, the BB and the AA count as one; the looks come
    later, and no sooner than ``compare`` would take them."""
    plan = compared_plan(directions=DOWNLOAD)
    visit = Visit(
        plan,
        by_repeat(tell(TIGHT, FASTER)),
        path=FakePath(association="not_possible"),
        operator=FakeOperator(present=False),
    )
    await visit.run()
    whole = 1 + sum(one.ap_config != before.ap_config for before, one in zip(plan.turns, plan.turns[1:], strict=False))
    assert whole < len(plan.turns)
    first = looks(visit)[0][0]
    assert first.verdict.look_turns == 4
    assert turns_of(visit, "auto") > 4
    assert (first.verdict.a.turns, first.verdict.b.turns) == (4, 4)


async def test_several_runs_a_turn_are_one_turn_and_a_turn_counts_when_it_is_whole() -> None:
    """Two runs a turn, 8 turns: the look at four is not taken between the two runs of the last turn."""
    plan = compared_plan(directions=DOWNLOAD, per_turn=2)
    visit = visit_of(plan, by_repeat(tell(TIGHT, FASTER)))
    assert (await visit.run()).attempts == 16
    for made in range(len(visit.records) + 1):
        agenda = Agenda(plan, visit.records[:made])
        assert bool(agenda.decided) == (made == 16)


async def test_one_ap_config_is_measured_as_before() -> None:
    """No comparison: no look, the minimum of turns, and outliers earn their extra repeats."""
    plan = compared_plan(configs=1, directions=DOWNLOAD)
    visit = visit_of(plan, by_repeat({("auto", "download"): (400.0, 402.0, 90.0, 401.0, 399.0)}))
    outcome = await visit.run()
    assert (outcome.attempts, visit.heard(LookTaken)) == (5, [])
    assert [record.purpose for record in visit.records][-1] is Purpose.EXTRA


async def test_too_few_turns_for_a_look_run_to_the_end() -> None:
    """A maximum of two turns: no look can be taken, so nothing stops before the plan's end and no quad follows it."""
    visit = visit_of(compared_plan(minimum=2, maximum=2), by_repeat(tell(TIGHT, FASTER)))
    assert (await visit.run()).attempts == 8
    assert visit.heard(LookTaken) == []


# --- resuming ------------------------------------------------------------------------------------------------------


def mixed(record: AttemptRecord) -> float:
    """Download decided at the first look, upload flagged at the last; by slot alone, however often the agent died."""
    if record.direction == "download":
        return (TIGHT if record.ap_config == "auto" else FASTER)[record.repeat % 6]
    if record.ap_config == "wide80":
        return LOOSE_B[(record.repeat - 1) % 12]
    return 60.0 if record.repeat == 5 else LOOSE_A[(record.repeat - 1) % 12]


PLAN = compared_plan(seed=3)
MEASURED = invalid_at(6, rates(mixed), times=1)


@pytest.fixture(scope="module")
def whole() -> Visit:
    """The visit that nothing cut."""
    visit = visit_of(PLAN, MEASURED)
    assert asyncio.run(visit.run()).outcome == "complete"
    return visit


ATTEMPTS = 34
"""Of the uncut visit: 8 downloads and 24 uploads, and one more try at each slot of turn 6."""


def test_the_uncut_visit_has_all_that_makes_resuming_hard(whole: Visit) -> None:
    """Otherwise the tests below would show little."""
    assert len(whole.records) == ATTEMPTS
    assert [[one.verdict.look_turns for one in told] for told in looks(whole)][-1] == [4, 12]


def cut_at(visit: Visit, count: int, kind: type[Event], act: Callable[[], object]) -> None:
    heard = 0

    def cut(event: Event) -> None:
        nonlocal heard
        heard += isinstance(event, kind)
        if heard == count and isinstance(event, kind):
            act()

    visit.subscribers = (cut,)


@pytest.mark.parametrize(
    ("how", "cut_after"),
    [
        *(("stopped", place) for place in range(1, ATTEMPTS + 1)),
        *(("killed", place) for place in range(1, ATTEMPTS, 3)),
    ],
)
async def test_cut_anywhere_and_resumed_decides_the_same(how: str, cut_after: int, whole: Visit) -> None:
    """Looks, weights and decisions follow from the stored plan and attempts alone."""
    first = visit_of(PLAN, MEASURED)
    if how == "stopped":
        cut_at(first, cut_after, AttemptStored, first.stop.set)
        await first.run()
    else:
        task = asyncio.create_task(first.run())
        cut_at(first, cut_after, TransferStarted, task.cancel)
        with pytest.raises(asyncio.CancelledError):
            await task
    second = visit_of(PLAN, MEASURED)
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    second.keeper.turns.extend(first.keeper.turns)
    assert (await second.resume()).outcome == "complete"
    assert second.keeper.settled() == whole.keeper.settled()
    for place in range(2):
        assert looked_at([*looks(first), *looks(second)], place) == looked_at(looks(whole), place)
    if how == "stopped":
        assert looks(second)[-1] == looks(whole)[-1]
    else:  # an attempt that the agent's end cut off is one more invalid one, which may forbid a verdict and no more
        for one, uncut in zip(looks(second)[-1], looks(whole)[-1], strict=True):
            assert (one.verdict.weight, one.verdict.stop) == (uncut.verdict.weight, uncut.verdict.stop)
            assert one.verdict.verdict in (uncut.verdict.verdict, Verdict.NOT_ENOUGH_EVIDENCE)
            assert one.verdict.p_difference in (uncut.verdict.p_difference, None)


def looked_at(told: Sequence[tuple[Standing, ...]], place: int) -> list[int | None]:
    """The looks at one comparison in order, each once."""
    return list(dict.fromkeys(one[place].verdict.look_turns for one in told if one[place].verdict.look))


@pytest.mark.parametrize("cut_after", [5, 9, 13])
async def test_a_resumed_visit_remembers_which_turns_were_none_of_their_own(cut_after: int) -> None:
    """How the turns began is part of what decides: without it the looks would come too early after a cut."""

    def unassociated() -> Visit:
        path, nobody = FakePath(association="not_possible"), FakeOperator(present=False)
        return Visit(compared_plan(directions=DOWNLOAD), by_repeat(tell(TIGHT, FASTER)), path=path, operator=nobody)

    uncut, first, second = unassociated(), unassociated(), unassociated()
    await uncut.run()
    cut_at(first, cut_after, AttemptStored, first.stop.set)
    await first.run()
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    second.keeper.turns.extend(first.keeper.turns)
    await second.resume()
    assert second.keeper.settled() == uncut.keeper.settled()
    assert looks(second)[-1] == looks(uncut)[-1]


async def test_a_resumed_visit_says_where_it_stands() -> None:
    """What an earlier part decided is told, and kept, at the start: the end of that part may have come in between."""
    first = visit_of(PLAN, MEASURED)
    cut_at(first, 18, AttemptStored, first.stop.set)
    await first.run()
    second = visit_of(PLAN, MEASURED)
    second.keeper.kept.update(first.keeper.kept)
    second.keeper.visits.append(first.record)
    second.keeper.turns.extend(first.keeper.turns)
    await second.resume()
    assert looks(first) == []
    assert [one.verdict.look_turns for one in looks(second)[0]] == [4, 4]
    assert [event.kind for event in second.keeper.events].count("look_taken") == len(looks(second))


def test_steady_is_what_the_script_says() -> None:
    """The rates above reach the records unchanged but for whole bytes."""
    visit = visit_of(compared_plan(directions=DOWNLOAD), rates(lambda record: 400.0))
    asyncio.run(visit.run())
    assert [record.throughput_mbps for record in visit.records] == pytest.approx([400.0] * 8, rel=1e-6)
    assert steady(visit.calls[0].spec).throughput_mbps == pytest.approx(400.0, rel=1e-6)
