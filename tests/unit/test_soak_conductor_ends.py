"""How a soak ends, goes on after an end, and what must not end it."""

import asyncio
from dataclasses import replace

import pytest
from fast_time import in_fast_time
from soak_fakes import DOWNLOAD, UPLOAD, FakeWatch, NightKeeper, Outage, Soak, World, WorldSwitch, soak_plan, soak_visit

from sitetest.errors import StoreFull
from sitetest.store.records import Status
from sitetest.store.soak_events import OutageBegan, OutageEnded, PartBegan, RoundPassed, WatchBlind
from sitetest.visit.events import TransferStarted
from sitetest.visit.soak.events import Resting, RoundStarted, SecondSeen, SoakEnded, SoakStarted
from sitetest.visit.soak.so_far import SoFar


async def stopped_at(soak: Soak, at_s: float, how: str = "stop") -> float:
    """Run; stop or cancel at a time; return how long the end took."""
    running = asyncio.create_task(soak.run())
    await soak.clock.sleep(at_s)
    if how == "stop":
        soak.stop.set()
    else:
        running.cancel()
    try:
        await running
    except asyncio.CancelledError:
        assert how == "cancel"
    else:
        assert how == "stop"
    return soak.clock.night_s - at_s


@pytest.mark.parametrize("how", ["stop", "cancel"])
def test_a_running_test_is_kept_as_interrupted_within_seconds(how: str) -> None:
    """Stopped: with what was measured. Cancelled: as it was announced."""
    soak = Soak(soak_plan(hours=9), hangs=True)
    assert in_fast_time(stopped_at(soak, 5.0, how)) < 2.0
    [test] = soak.kept.tests
    assert test.status is Status.INTERRUPTED
    assert test.reason.startswith("stopped" if how == "stop" else "agent_ended")
    assert soak.kept.ended == ["interrupted"]
    assert len(soak.kept.seconds) in {4, 5}
    assert isinstance(soak.watch, FakeWatch)
    assert soak.watch.cancelled
    assert [ended.outcome for ended in soak.heard(SoakEnded)] == ["interrupted"]


@pytest.mark.parametrize("how", ["stop", "cancel"])
@pytest.mark.parametrize("at_s", [60.0, 310.0, 1799.0])
def test_a_stop_is_heard_whatever_the_soak_waits_for(how: str, at_s: float) -> None:
    """Resting; with the path away; for an access point after a switch."""
    soak = Soak(
        soak_plan(hours=9, ap_configs=("auto", "wide80")),
        World(outages=[Outage(300.0, 60.0)]),
        by_command=True,
        make_switch=lambda night: WorldSwitch(night, lambda _: 25.0),
    )
    assert in_fast_time(stopped_at(soak, at_s, how)) < 2.0
    assert soak.kept.ended == ["interrupted"]


def test_nothing_is_left_running_after_the_end() -> None:
    """Watch, questions about an outage, clock: all are over."""

    async def run_and_count() -> set[str]:
        await stopped_at(soak, 30.0)
        return {task.get_name() for task in asyncio.all_tasks() if task is not asyncio.current_task()}

    soak = Soak(soak_plan(hours=9), World(outages=[Outage(20.0, 600.0)]))
    assert in_fast_time(run_and_count()) == set()
    assert len(soak.events(OutageBegan)) == 1


def test_the_end_is_complete_when_the_time_is_over_also_in_a_switch() -> None:
    """The wait for the access point is cut short, and what was tried is kept."""
    soak = Soak(
        soak_plan(hours=60 / 3600, ap_configs=("auto", "wide80")),
        by_command=True,
        make_switch=lambda night: WorldSwitch(night, lambda _: 500.0),
    )
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests) == ("complete", 0)
    assert [record.kind for record, _ in soak.kept.soak_events] == ["part_began", "switch_tried"]


def test_a_soak_that_goes_on_counts_on() -> None:
    """Rounds, turns, order and data after those kept; the outage that the kill left open stays open."""
    plan = soak_plan(rounds=40, ap_configs=("auto", "wide80"), transfers=(DOWNLOAD, UPLOAD))
    first = Soak(plan, World(outages=[Outage(2000.0, 1e6)]), by_command=True, make_switch=WorldSwitch)
    in_fast_time(stopped_at(first, 2100.0, "cancel"))
    kept = first.kept
    kept.running = None
    last_round = max(test.repeat for test in kept.tests)
    last_turn = kept.turns[-1].turn
    so_far = SoFar(last_round, last_turn, max(test.order_index for test in kept.tests), first_counted=kept.tests[:4])
    second = Soak(
        plan,
        keeper=kept,
        by_command=True,
        make_switch=WorldSwitch,
        so_far=so_far,
        tests_before=len(kept.tests),
    )
    before = len(kept.tests)
    outcome = in_fast_time(second.run())
    assert outcome.outcome == "complete"
    assert [turn.turn for turn in kept.turns] == list(range(1, len(kept.turns) + 1))
    assert kept.turns[last_turn].ap_config == "wide80", "the plan's third turn"
    after = kept.tests[before:]
    assert {test.repeat for test in after} == set(range(last_round + 1, 41))
    assert [test.order_index for test in kept.tests] == list(range(1, len(kept.tests) + 1))
    assert [part.resumed for part in second.events(PartBegan)] == [False, True]
    assert (len(second.events(OutageBegan)), second.events(OutageEnded)) == (1, [])
    assert [one.resumed for one in second.heard(SoakStarted)] == [last_round]
    assert second.heard(RoundStarted)[0].number == last_round + 1
    assert len(kept.visits) == 1


def test_bytes_that_earlier_parts_moved_count_against_the_cap() -> None:
    soak = Soak(soak_plan(rounds=3, data_bytes=10**9), so_far=SoFar(rounds=0, moved_bytes=10**9))
    soak.kept.visits.append(None)  # type: ignore[arg-type]  # begun by the part before
    assert in_fast_time(soak.run()).tests == 0


def test_a_time_that_is_over_before_it_begins_is_complete_at_once() -> None:
    soak = Soak(soak_plan(hours=0.0))
    assert in_fast_time(soak.run()).outcome == "complete"
    assert soak.kept.tests == []


@pytest.mark.parametrize("resumed", [False, True])
def test_a_soak_that_cannot_even_be_begun_is_refused(resumed: bool) -> None:
    """Before anything is measured; one that goes on finds its visit begun, and waits for room."""
    soak = Soak(soak_plan(hours=0.1), keeper=NightKeeper(full=lambda: True), so_far=SoFar() if resumed else None)
    if not resumed:
        with pytest.raises(StoreFull):
            in_fast_time(soak.run())
    else:
        assert in_fast_time(soak.run()).outcome == "store_full"
    assert soak.began_s == []


def test_a_watch_that_fails_is_begun_again_and_that_is_said(caplog: pytest.LogCaptureFixture) -> None:
    """Twice in a night; the tests go on meanwhile."""
    soak = Soak(soak_plan(hours=1), World(watch_dies_at=[600.0, 1800.0]))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests) == ("complete", 30)
    blind = soak.events(WatchBlind)
    assert [one.blind for one in blind] == [True, False, True, False]
    assert "RuntimeError: as scripted" in blind[0].why
    assert soak.times_s(WatchBlind) == pytest.approx([600, 631, 1800, 1831], abs=1.1)
    assert len(soak.kept.seconds) == pytest.approx(3600 - 62, abs=3)
    assert "the watch over the path failed" in caplog.text


def test_a_watch_that_fails_in_an_outage_leaves_its_end_open(caplog: pytest.LogCaptureFixture) -> None:
    """Nobody saw it; tests are not held up for ever."""
    soak = Soak(soak_plan(hours=0.5), World(outages=[Outage(500.0, 200.0)], watch_dies_at=[620.0]))
    in_fast_time(soak.run())
    assert len(soak.events(OutageBegan)) in {1, 2}
    assert soak.events(RoundPassed)[-1].round < 8
    assert caplog.records


def test_a_subscriber_that_fails_stops_nothing_and_is_logged_once(caplog: pytest.LogCaptureFixture) -> None:
    heard: list[object] = []

    def failing(happening: object) -> None:
        heard.append(happening)
        raise ValueError("a board that breaks")

    soak = Soak(soak_plan(rounds=2), subscribers=(failing,))
    assert in_fast_time(soak.run()).outcome == "complete"
    assert len(heard) == len(soak.said) > 100
    assert len(caplog.records) == 1


def test_an_engine_that_breaks_ends_the_soak_in_the_open_and_costs_no_second() -> None:
    """A fault of ours is not data."""

    def breaking(happening: object) -> None:
        if isinstance(happening, Resting):
            soak.world.rate_mbps = lambda at_s, spec: 1 / 0

    soak = Soak(soak_plan(hours=1), subscribers=(breaking,))
    with pytest.raises(ZeroDivisionError):
        in_fast_time(soak.run())
    assert len(soak.kept.seconds) == pytest.approx(120, abs=1)


def test_events_of_a_running_transfer_reach_the_subscribers() -> None:
    soak = Soak(soak_plan(rounds=1))
    in_fast_time(soak.run())
    assert len(soak.heard(TransferStarted)) == 1
    assert all(one.up for one in soak.heard(SecondSeen))


def test_the_mark_of_a_simulated_link_is_on_every_test() -> None:
    soak = Soak(soak_plan(rounds=1))
    visit = replace(soak_visit(soak.plan), simulated="paced")
    in_fast_time(soak.conductor().run(soak.plan, visit))
    assert [flag.name for flag in soak.kept.tests[0].flags] == ["simulated"]
