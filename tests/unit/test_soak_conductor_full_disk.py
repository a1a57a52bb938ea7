"""A disk that is full for hours: no test, nothing harmed, the watch goes on, and what was held is kept afterwards."""

import asyncio
from pathlib import Path

import pytest
from fast_time import BEGIN_S, in_fast_time
from soak_fakes import NIGHT, NightKeeper, Outage, Soak, World, WorldSwitch, soak_plan, soak_visit

from sitetest.errors import StoreError, StoreFull
from sitetest.observe.watch.seen import Roam
from sitetest.store.database import Store
from sitetest.store.records import Doing, EventRecord, Status, TurnRecord, WatchSecondRecord
from sitetest.store.reserve import Reserve
from sitetest.store.soak_events import MeasuringPaused, MeasuringResumed, OutageBegan, OutageEnded, Roamed, RoundPassed
from sitetest.visit.soak.holding_keeper import HoldingKeeper


def full_between(soak: Soak, from_s: float, until_s: float) -> Soak:
    soak.kept.full = lambda: from_s <= asyncio.get_running_loop().time() - BEGIN_S < until_s
    return soak


def test_tests_pause_while_the_disk_is_full_and_everything_the_watch_saw_is_kept_afterwards() -> None:
    """Full from 10 to 40 minutes, with an outage and a roam in between."""
    world = World(outages=[Outage(1000.0, 30.0)], facts=[(1500.0, Roam(BEGIN_S + 1500.0, "ap-1", "ap-2"))])
    soak = full_between(Soak(soak_plan(hours=1), world), 605.0, 2405.0)
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.dropped_seconds, outcome.dropped_facts) == ("complete", 0, 0)
    assert [round(at_s) for at_s in soak.began_s if 600 < at_s < 2400] == []
    assert (outcome.rounds, outcome.passed) == (15, 15)
    assert {event.reason for event in soak.events(RoundPassed)} == {"disk_full"}
    [paused], [resumed] = soak.events(MeasuringPaused), soak.events(MeasuringResumed)
    assert paused.reason == resumed.reason == "disk_full"
    assert resumed.length_s == pytest.approx(1800.0, abs=31)
    assert [len(soak.events(kind)) for kind in (OutageBegan, OutageEnded, Roamed)] == [1, 1, 1]
    assert [second.offset_s for second in soak.kept.seconds] == pytest.approx(list(range(3600)))
    assert soak.kept.ended == ["complete"]


def test_room_is_looked_for_every_half_minute() -> None:
    """Rounds are an hour apart: tests must not wait for the next one."""
    soak = full_between(Soak(soak_plan(hours=2, every_s=3600.0), World()), 605.0, 705.0)
    in_fast_time(soak.run())
    [resumed] = soak.events(MeasuringResumed)
    assert resumed.length_s <= 130.0


@pytest.mark.parametrize("call", ["begin_turn", "begin_attempt", "end_attempt", "add_event", "add_watch_seconds"])
def test_a_full_disk_at_any_call_ends_nothing(call: str) -> None:
    """From the fifth minute on the given call alone finds no room, for ten minutes."""

    class Grudging(NightKeeper):
        def _write(self, what: str, fact: object) -> None:
            now_s = asyncio.get_running_loop().time() - BEGIN_S
            first_s = 0.0 if call == "begin_turn" else 300.0
            if what == call and first_s <= now_s < 900.0:
                raise StoreFull("no room left")

    world = World(facts=[(400.0, Roam(BEGIN_S + 400.0, "ap-1", "ap-2"))])
    soak = Soak(soak_plan(hours=1), world, keeper=Grudging())
    if call == "begin_turn":
        soak.kept.has_room = lambda: asyncio.get_running_loop().time() - BEGIN_S >= 900.0  # type: ignore[method-assign]
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "complete"
    assert outcome.dropped_facts == outcome.dropped_seconds == 0
    assert len(soak.kept.turns) == 1
    assert len(soak.events(Roamed)) == 1
    assert len(soak.kept.seconds) == 3600
    assert {test.status for test in soak.kept.tests} == {Status.OK}
    assert len(soak.kept.tests) == outcome.tests >= 20


def test_no_ap_config_is_switched_while_nothing_can_be_kept() -> None:
    """It would be measured by nobody."""
    soak = Soak(
        soak_plan(hours=3, ap_configs=("auto", "wide80")),
        by_command=True,
        make_switch=WorldSwitch,
    )
    full_between(soak, 1000.0, 6000.0)
    in_fast_time(soak.run())
    assert isinstance(soak.switch, WorldSwitch)
    assert [at_s for at_s, _ in soak.switch.applied if 1000.0 <= at_s < 6000.0] == []
    assert soak.turns[:2] == [(1, "auto"), (2, "wide80")]
    assert {test.turn for test in soak.kept.tests} >= {1, 2, 3}


def test_a_disk_that_stays_full_costs_only_what_came_since_and_says_so() -> None:
    """Even the end is not on disk: the soak may be resumed."""
    soak = full_between(Soak(soak_plan(hours=1)), 1805.0, 1e9)
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "store_full"
    assert (outcome.dropped_seconds, len(soak.kept.seconds)) == (1800, 1800)
    assert outcome.dropped_facts > 15
    assert soak.kept.ended == []


def test_any_other_trouble_with_the_store_ends_the_soak_in_the_open() -> None:
    """A store that cannot be written to for another reason is no use all night."""
    soak = Soak(soak_plan(hours=1))
    soak.subscribers = (lambda happening: break_at(soak, 1000.0),)
    with pytest.raises(StoreError, match="damaged"):
        in_fast_time(soak.run())
    assert len(soak.kept.seconds) == pytest.approx(1000, abs=11)


def break_at(soak: Soak, at_s: float) -> None:
    if soak.clock.night_s >= at_s:
        soak.kept.broken = StoreError("the file is damaged")


def second(number: int) -> WatchSecondRecord:
    return WatchSecondRecord(NIGHT, float(number), 1.0, Doing.NOTHING, 10, 10)


def event(number: int) -> EventRecord:
    return EventRecord("visit-1", NIGHT, float(number), "noted", "{}")


def test_what_is_held_is_bounded_and_the_oldest_goes_first() -> None:
    keeper, told = NightKeeper(full=lambda: True), []
    holding = HoldingKeeper(keeper, lambda: told.append("full"), most_seconds=100, most_facts=5)
    for number in range(50):
        holding.add_watch_seconds("visit-1", [second(10 * number + place) for place in range(10)])
        holding.add_event(event(number))
    assert (holding.held_seconds, holding.dropped_seconds) == (100, 400)
    assert (holding.held_facts, holding.dropped_facts) == (5, 45)
    assert told == ["full"]
    keeper.full = lambda: False
    assert holding.has_room()
    assert [one.offset_s for one in keeper.seconds] == [float(number) for number in range(400, 500)]
    assert [one.offset_s for one in keeper.events] == [45.0, 46.0, 47.0, 48.0, 49.0]
    assert (holding.held_seconds, holding.held_facts, holding.full) == (0, 0, False)


def test_what_is_held_is_kept_in_its_order_before_anything_newer() -> None:
    keeper = NightKeeper(full=lambda: True)
    keeper.visits.append(soak_visit(soak_plan(rounds=1)))
    holding = HoldingKeeper(keeper, lambda: None)
    holding.begin_turn(TurnRecord("visit-1", 1, 1, "auto", NIGHT, "not_wifi", "kept"))
    holding.add_event(event(1))
    keeper.full = lambda: False
    holding.add_event(event(2))
    assert keeper.events == []
    with pytest.raises(StoreFull):
        holding.begin_attempt(None)  # type: ignore[arg-type]  # refused before it is looked at
    assert holding.has_room()
    assert [one.offset_s for one in keeper.events] == [1.0, 2.0]
    assert [turn.turn for turn in keeper.turns] == [1]


def test_on_the_real_store_no_test_takes_the_reserve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reserve is gone for half an hour, as on a full disk: no test begins, and all the seconds are on disk in the
    end. The store's own tests fill a real disk."""
    with Store.open(tmp_path / "results" / "site.sqlite", create=True) as store:
        soak = Soak(soak_plan(hours=1, every_s=300.0), keeper=store)
        take = Reserve.take

        def refusing(reserve: Reserve) -> bool:
            away = 605.0 <= asyncio.get_running_loop().time() - BEGIN_S < 2405.0
            return False if away else take(reserve)

        monkeypatch.setattr(Reserve, "take", refusing)
        outcome = in_fast_time(soak.run())
        attempts = store.attempts("visit-1")
        seconds = list(store.watch_seconds("visit-1"))
        kinds = [event.kind for event in store.events("visit-1")]
        monkeypatch.undo()
    assert (outcome.outcome, outcome.tests, outcome.passed) == ("complete", 6, 6)
    assert {attempt.status for attempt in attempts} == {Status.OK}
    assert len(attempts) == 6
    assert [one.offset_s for one in seconds] == pytest.approx(list(range(3600)))
    assert kinds.count("measuring_paused") == kinds.count("measuring_resumed") == 1
