"""What the visit does about attempts that did not go well: again, replaced, kept, extra."""

import asyncio
from dataclasses import replace

import pytest
from visit_fakes import SERVER_DEAD, WELL, Call, FakePath, Script, Visit, basement_plan, broken, steady

from sitetest.engines.base import FailureKind, TransferResult
from sitetest.plan.cases import Leg
from sitetest.store.records import Purpose, Status
from sitetest.visit.events import AttemptFlagged, AttemptStored

OK, FAILED, INVALID = Status.OK, Status.FAILED, Status.INVALID


def shared_in(*tries: tuple[int, int]) -> Script:
    """Invalid at (turn, number of whole tries before)."""

    def script(call: Call) -> TransferResult:
        invalid = (call.record.turn, call.finished_tries) in tries
        return replace(steady(call.spec), shared=invalid)

    return script


async def test_invalid_is_tried_again_at_once_and_all_tries_are_kept() -> None:
    """Twice invalid, then ok: three rows, in the same turn, numbered, with their purpose."""
    visit = Visit(basement_plan(("auto",) * 2), shared_in((1, 0), (1, 1)))
    outcome = await visit.run()
    assert [(record.turn, record.attempt, record.status, record.purpose) for record in visit.records] == [
        (1, 1, INVALID, Purpose.PLANNED),
        (1, 2, INVALID, Purpose.AGAIN),
        (1, 3, OK, Purpose.AGAIN),
        (2, 1, OK, Purpose.PLANNED),
    ]
    assert outcome.without_result == ()
    steps = [event.next_step for event in visit.events if isinstance(event, AttemptStored)]
    assert steps == ["is tried again now (2 tries left)", "is tried again now (the last try)", "", ""]


async def test_three_times_invalid_loses_the_turn_and_a_replacement_ends_the_quad() -> None:
    """The replacement follows the quad's last planned turn, before the next quad, with a fresh association."""
    visit = Visit(basement_plan(("auto",) * 5), shared_in((2, 0), (2, 1), (2, 2)))
    outcome = await visit.run()
    assert [record.turn for record in visit.records] == [1, 2, 2, 2, 3, 4, 7, 5]
    replacement = visit.records[6]
    assert (replacement.repeat, replacement.attempt, replacement.purpose) == (2, 4, Purpose.AGAIN)
    assert [(turn.turn, turn.quad) for turn in visit.keeper.turns][-2:] == [(7, 1), (5, 2)]
    assert visit.path.associations == 6
    assert outcome.without_result == ()
    steps = [event.next_step for event in visit.events if isinstance(event, AttemptStored)]
    assert steps[3] == "is given up in this turn; a replacement turn comes at the end of the quad"


async def test_a_replacement_that_is_given_up_too_is_not_replaced() -> None:
    """At most one replacement for each planned turn; the measurement is listed as without a result."""
    every_try = [(turn, tries) for turn in (1, 3) for tries in range(3)]
    visit = Visit(basement_plan(("auto",) * 2), shared_in(*every_try))
    outcome = await visit.run()
    assert [record.turn for record in visit.records] == [1, 1, 1, 2, 3, 3, 3]
    assert outcome.outcome == "complete"
    assert [(slot.turn, slot.repeat) for slot in outcome.without_result] == [(3, 1)]
    last = [event for event in visit.events if isinstance(event, AttemptStored)][-1]
    assert last.next_step == "is given up; this measurement has no result"
    assert (last.done, last.total) == (2, 2)


async def test_failed_is_a_result_and_never_tried_again() -> None:
    """Stalled although the server answers: one row, failed, its seconds kept."""
    visit = Visit(basement_plan(("auto",)), lambda call: broken(call.spec, FailureKind.STALLED, until_s=6.0))
    outcome = await visit.run()
    assert [(record.status, record.attempt) for record in visit.records] == [(FAILED, 1)]
    assert visit.records[0].reason.startswith("stalled: ")
    assert len(visit.records[0].seconds) == 5
    assert (outcome.open_slots, outcome.without_result) == (0, ())


async def test_the_network_is_asked_right_after_what_went_wrong_and_only_then() -> None:
    """Server dead while its host answers: invalid."""
    path = FakePath({Leg.LAN: [SERVER_DEAD, WELL]})
    visit = Visit(
        basement_plan(("auto",) * 2),
        lambda call: broken(call.spec, FailureKind.PEER_DIED, until_s=4.0) if call.number == 1 else steady(call.spec),
        path=path,
    )
    await visit.run()
    assert [record.reason.split(":")[0] for record in visit.records] == ["server_gone", "", ""]
    assert path.diagnosed == [Leg.LAN]


def rates(*by_turn: float) -> Script:
    """Throughput by planned turn; extra turns get the last."""
    return lambda call: steady(call.spec, by_turn[min(call.record.turn, len(by_turn)) - 1])


@pytest.mark.parametrize("strange", [90.0, 1700.0])
async def test_an_outlier_is_labelled_kept_and_earns_one_extra_repeat(strange: float) -> None:
    """Low or high alike; the extra repeat comes in a turn of its own at the end."""
    visit = Visit(basement_plan(("auto",) * 4), rates(400, 402, strange, 401, 400))
    await visit.run()
    assert [(record.turn, record.repeat, record.purpose) for record in visit.records] == [
        (1, 1, Purpose.PLANNED),
        (2, 2, Purpose.PLANNED),
        (3, 3, Purpose.PLANNED),
        (4, 4, Purpose.PLANNED),
        (9, 5, Purpose.EXTRA),
    ]
    assert [record.status for record in visit.records] == [OK] * 5
    flagged = [record.turn for record in visit.records if any(flag.name == "outlier" for flag in record.flags)]
    assert flagged == [3]
    stored = [event for event in visit.events if isinstance(event, AttemptStored)]
    assert stored[2].next_step == "an outlier is kept and counted; an extra repeat comes at the end of the visit"
    assert [event.total for event in stored] == [4, 4, 5, 5, 5]
    assert visit.heard(AttemptFlagged) == [], "its label was in the row from the start"


async def test_an_earlier_attempt_is_labelled_in_the_light_of_later_ones() -> None:
    """The first of three is far off: the label is added to the kept row, then told."""
    visit = Visit(basement_plan(("auto",) * 3), rates(90, 400, 402, 401))
    await visit.run()
    told = [event for event in visit.events if isinstance(event, AttemptFlagged)]
    assert [(event.record.turn, event.flag.name) for event in told] == [(1, "outlier")]
    assert [flag.name for flag in visit.records[0].flags] == ["outlier"]
    order = [what if what != "event" else type(fact).__name__ for what, fact in visit.keeper.log]
    assert order.index("add_flag") < order.index("AttemptFlagged")


async def test_a_case_earns_two_extra_repeats_at_most() -> None:
    """Five strange values of nine; nine planned and two extra rows, all kept."""
    visit = Visit(basement_plan(("auto",) * 9), rates(400, 401, 399, 60, 1900, 40, 2600, 402, 398, 400))
    await visit.run()
    assert [record.turn for record in visit.records] == [*range(1, 10), 19, 20]
    assert sum(any(flag.name == "outlier" for flag in record.flags) for record in visit.records) >= 3


async def test_lan_and_internet_of_a_repeat_have_nothing_between_them_but_tries_of_the_latter() -> None:
    """A retry follows at once, so that the counted LAN transfer is the neighbour of the internet one."""
    plan = basement_plan(("auto",), legs=(Leg.LAN, Leg.INTERNET), internet_data_bytes=10**12)

    def script(call: Call) -> TransferResult:
        return replace(steady(call.spec), shared=call.number in {1, 3})

    visit = Visit(plan, script)
    await visit.run()
    assert [(record.leg, record.status) for record in visit.records] == [
        ("lan", INVALID),
        ("lan", OK),
        ("internet", INVALID),
        ("internet", OK),
    ]


async def test_an_engine_that_says_stopped_of_its_own_accord_ends_the_visit() -> None:
    """An interruption uses up no try, so it must not be able to go round for ever."""
    visit = Visit(basement_plan(("auto",)), lambda call: broken(call.spec, FailureKind.STOPPED))
    async with asyncio.timeout(5):
        outcome = await visit.run()
    assert (outcome.outcome, len(visit.records)) == ("interrupted", 1)
