"""Paths that go away: waited for, come back, stay away, and the internet leg that must not hold up the LAN."""

import pytest
from visit_fakes import LINK_DOWN, NO_TELLING, WELL, Call, FakePath, Script, Visit, basement_plan, broken, steady

from sitetest.engines.base import FailureKind, TransferResult
from sitetest.plan.cases import Leg
from sitetest.store.records import Status
from sitetest.visit.conductor import Patience
from sitetest.visit.diagnosis import Route
from sitetest.visit.events import PathBack, PathLost, VisitEnded

OK, FAILED = Status.OK, Status.FAILED


def cut_at(number: int) -> Script:
    def script(call: Call) -> TransferResult:
        return broken(call.spec, FailureKind.LINK_LOST, until_s=5.0) if call.number == number else steady(call.spec)

    return script


async def test_a_lost_path_is_waited_for_and_the_visit_goes_on() -> None:
    """Failed, kept; PathLost, growing pauses, PathBack; the next attempt succeeds."""
    path = FakePath({Leg.LAN: [LINK_DOWN]}, answering=[True, True, False, False, False, False, True])
    visit = Visit(basement_plan(("auto",) * 3), cut_at(2), path=path)
    outcome = await visit.run()
    assert visit.statuses == [OK, FAILED, OK]
    assert visit.records[1].reason.startswith("link_lost: wlan0 is down")
    assert outcome.outcome == "complete"
    assert [event.give_up_s for event in visit.heard(PathLost)] == [600.0]
    assert [event.away_s for event in visit.heard(PathBack)] == [3.5]
    assert visit.clock.slept_s == [0.5, 1.0, 2.0]
    assert [event.kind for event in visit.keeper.events] == ["path_lost", "path_back"]


async def test_nobody_can_tell_is_failed_as_unreachable_and_waited_for() -> None:
    """Issue 2, point 5: kept as failed with that reason."""
    path = FakePath({Leg.LAN: [NO_TELLING]}, answering=[True, False, False, True])
    visit = Visit(basement_plan(("auto",) * 2), cut_at(1), path=path)
    await visit.run()
    assert [record.reason.split(":")[0] for record in visit.records] == ["unreachable", ""]
    assert len(visit.heard(PathBack)) == 1


async def test_a_path_that_is_back_at_once_is_not_announced_as_lost() -> None:
    """A roam that is over when the visit asks again costs nobody a scare."""
    path = FakePath({Leg.LAN: [NO_TELLING]}, answering=[True])
    visit = Visit(basement_plan(("auto",)), cut_at(1), path=path)
    await visit.run()
    assert visit.heard(PathLost) == []


async def test_a_path_that_stays_away_ends_the_visit_and_leaves_the_rest_open() -> None:
    """Given up after exactly the patience, with pauses that never exceed their bound; nothing is lost."""
    path = FakePath({Leg.LAN: [LINK_DOWN]}, answering=[True, False])
    visit = Visit(basement_plan(("auto",) * 3), cut_at(1), path=path, patience=Patience(path_s=100.0))
    outcome = await visit.run()
    assert (outcome.outcome, outcome.open_slots, visit.statuses) == ("server_gone", 2, [FAILED])
    assert sum(visit.clock.slept_s) == pytest.approx(100.0)
    assert max(visit.clock.slept_s) == 15.0
    assert visit.keeper.ended == ["server_gone"]
    assert [event.outcome for event in visit.heard(VisitEnded)] == ["server_gone"]


async def test_a_dead_internet_leg_does_not_hold_up_the_lan_leg() -> None:
    """Its slots fail one by one, the LAN slots go on, and nobody waits for it."""
    plan = basement_plan(("auto",) * 3, legs=(Leg.LAN, Leg.INTERNET), internet_data_bytes=10**12)
    path = FakePath({Leg.INTERNET: [NO_TELLING]})

    def script(call: Call) -> TransferResult:
        if call.leg is Leg.INTERNET:
            return broken(call.spec, FailureKind.UNREACHABLE, message="no route to the far server")
        return steady(call.spec)

    visit = Visit(plan, script, path=path)
    outcome = await visit.run()
    assert [(record.leg, record.status) for record in visit.records] == [("lan", OK), ("internet", FAILED)] * 3
    assert {record.reason.split(":")[0] for record in visit.records if record.leg == "internet"} == {"unreachable"}
    assert visit.heard(PathLost) == []
    assert visit.clock.slept_s == []
    assert Leg.INTERNET not in path.asked, "the LAN server is the one that is asked"
    assert outcome.outcome == "complete"


async def test_a_wrong_certificate_on_the_internet_leg_does_not_hold_up_the_lan_leg() -> None:
    """Invalid, tried three times, given up and replaced once; the LAN slots are all there."""
    plan = basement_plan(("auto",), legs=(Leg.LAN, Leg.INTERNET), internet_data_bytes=10**12)

    def script(call: Call) -> TransferResult:
        certificate = broken(call.spec, FailureKind.CERTIFICATE, message="self-signed certificate")
        return certificate if call.leg is Leg.INTERNET else steady(call.spec)

    visit = Visit(plan, script)
    outcome = await visit.run()
    assert [record.leg for record in visit.records] == ["lan", *["internet"] * 6]
    assert [slot.case.leg for slot in outcome.without_result] == [Leg.INTERNET]


async def test_an_internet_failure_with_the_lan_gone_too_is_waited_for() -> None:
    """When the association breaks during an internet transfer, the LAN server is asked, and found gone."""
    plan = basement_plan(("auto",) * 2, legs=(Leg.LAN, Leg.INTERNET), internet_data_bytes=10**12)
    path = FakePath({Leg.INTERNET: [LINK_DOWN]}, answering=[True, False, False, True])

    def script(call: Call) -> TransferResult:
        return broken(call.spec, FailureKind.STALLED, until_s=4.0) if call.number == 2 else steady(call.spec)

    visit = Visit(plan, script, path=path)
    await visit.run()
    assert [(record.leg, record.status) for record in visit.records][1] == ("internet", FAILED)
    assert len(visit.heard(PathLost)) == len(visit.heard(PathBack)) == 1


async def test_a_plan_with_the_internet_leg_alone_waits_for_the_internet_server() -> None:
    """Then there is no other path to go on with."""
    plan = basement_plan(("auto",) * 2, legs=(Leg.INTERNET,), internet_data_bytes=10**12)
    path = FakePath({Leg.INTERNET: [NO_TELLING]}, answering=[True, False, True])
    visit = Visit(plan, cut_at(1), path=path)
    await visit.run()
    assert set(path.asked) == {Leg.INTERNET}
    assert visit.statuses == [FAILED, OK]


async def test_a_server_that_does_not_answer_after_a_switch_is_measured_all_the_same() -> None:
    """An AP config on which nothing associates must show as failed attempts, not as a wait without end."""
    path = FakePath({Leg.LAN: [LINK_DOWN]}, answering=[False])
    visit = Visit(
        basement_plan(("auto",)),
        lambda call: broken(call.spec, FailureKind.UNREACHABLE),
        path=path,
        patience=Patience(back_s=60.0, path_s=30.0),
    )
    outcome = await visit.run()
    assert visit.keeper.turns[0].back_s is None
    assert visit.notes() == ["not_back"]
    assert (visit.statuses, outcome.outcome) == ([FAILED], "server_gone")
    assert sum(visit.clock.slept_s) == pytest.approx(90.0)


async def test_a_path_over_another_interface_is_another_case_for_the_rest_of_the_visit() -> None:
    """Someone plugs a cable in: tried again, still over the cable, so given up; never counted as Wi-Fi."""
    routes = [Route("wlan0", "192.0.2.10")] * 2 + [Route("eth0", "192.0.2.20")]
    visit = Visit(basement_plan(("auto",) * 2), path=FakePath({Leg.LAN: [WELL]}, routes=routes))
    outcome = await visit.run()
    assert visit.statuses == [OK] + [Status.INVALID] * 6
    assert {record.reason.split(":")[0] for record in visit.records[1:]} == {"path_changed"}
    assert len(outcome.without_result) == 1
