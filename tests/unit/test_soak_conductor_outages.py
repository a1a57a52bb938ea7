"""Outages of a soak: kept as they begin, asked about, kept with their cause; and what else the watch tells."""

from dataclasses import dataclass, field

import pytest
from fast_time import BEGIN_S, in_fast_time
from soak_fakes import NIGHT, Outage, Soak, World, soak_plan
from visit_fakes import LINK_DOWN, NO_TELLING, SERVER_DEAD

from sitetest.observe.watch.seen import Blind, Move, Roam, Seen
from sitetest.store.records import Status
from sitetest.store.soak_events import (
    DROPOUT_CAUSES,
    Cause,
    ChannelMoved,
    OutageBegan,
    OutageEnded,
    Roamed,
    RoundPassed,
    Slept,
    WatchBlind,
)
from sitetest.visit.diagnosis import Answer, Diagnosis
from sitetest.visit.soak.events import Happened, SecondSeen

REFLECTOR_SILENT = Diagnosis(Answer.YES, Answer.YES, Answer.YES, Answer.YES)
ROUTER_ALIVE = Diagnosis(Answer.YES, Answer.YES, Answer.NO, Answer.NO)


def test_an_outage_is_kept_as_soon_as_it_is_noticed() -> None:
    """So that it stands when the power fails a moment later."""
    soak = Soak(soak_plan(hours=1), World(outages=[Outage(1000.25, 3000.0)]))
    in_fast_time(soak.run())
    [began] = soak.events(OutageBegan)
    assert (began.began_at - NIGHT).total_seconds() == pytest.approx(1000.25)
    assert soak.times_s(OutageBegan)[0] - 1000.25 < 3.0  # the fake watch tells once a second
    assert soak.events(OutageEnded) == []


@pytest.mark.parametrize(
    ("outage", "cause"),
    [
        (Outage(1000.0, 60.0), Cause.LINK),
        (Outage(1000.0, 60.0, NO_TELLING), Cause.PATH),
        (Outage(1000.0, 60.0, ROUTER_ALIVE), Cause.HOST),
        (Outage(1000.0, 60.0, SERVER_DEAD, refused=True), Cause.SERVER),
        (Outage(1000.0, 60.0, REFLECTOR_SILENT), Cause.REFLECTOR),
        (Outage(1000.0, 60.0, after_sleep=True), Cause.SLEEP),
        (Outage(1000.0, 2.5, late=True), Cause.LATE),
        (Outage(1000.0, 1.0), Cause.PATH),
        (Outage(1000.0, 1.0, refused=True), Cause.SERVER),
        (Outage(1000.0, 1.0, no_association=True), Cause.LINK),
    ],
)
def test_an_outage_that_is_over_is_kept_with_its_length_and_cause(outage: Outage, cause: Cause) -> None:
    soak = Soak(soak_plan(hours=0.5), World(outages=[outage]))
    in_fast_time(soak.run())
    [ended] = soak.events(OutageEnded)
    assert (ended.cause, ended.length_s) == (cause, 0.0 if outage.late else outage.length_s)
    assert (ended.began_at - NIGHT).total_seconds() == pytest.approx(outage.at_s)
    assert len(soak.events(OutageBegan)) == (1 if outage.length_s > 1.5 else 0)
    assert soak.times_s(OutageEnded)[0] == pytest.approx(outage.ends_s, abs=1.1)


def test_a_server_that_is_killed_and_started_again_is_no_dropout() -> None:
    """Neither for short nor for long."""
    deaths = [
        Outage(at_s, length_s, SERVER_DEAD, refused=True) for at_s, length_s in ((600, 1.2), (1200, 5), (1800, 900))
    ]
    soak = Soak(soak_plan(hours=1), World(outages=deaths))
    in_fast_time(soak.run())
    assert [ended.cause for ended in soak.events(OutageEnded)] == [Cause.SERVER] * 3
    assert Cause.SERVER not in DROPOUT_CAUSES


def test_the_network_is_asked_every_half_minute_as_long_as_it_lasts_and_not_longer() -> None:
    soak = Soak(soak_plan(hours=0.3, every_s=5000.0), World(outages=[Outage(100.0, 200.0)]))
    in_fast_time(soak.run())
    assert soak.path.diagnosed_s == pytest.approx([102.0 + 30.0 * number for number in range(7)], abs=1.1)


@dataclass
class Searching:
    """A server that is found again at another address in the second search."""

    soak: "Soak | None" = None
    asked_s: list[float] = field(default_factory=list)

    async def find_again(self) -> str | None:
        assert self.soak is not None
        self.asked_s.append(self.soak.clock.night_s)
        await self.soak.clock.sleep(4.0)
        return "192.0.2.77" if len(self.asked_s) == 2 else None


@pytest.mark.parametrize(
    ("diagnosis", "searches"), [(NO_TELLING, True), (ROUTER_ALIVE, True), (SERVER_DEAD, False), (LINK_DOWN, False)]
)
def test_a_server_whose_machine_is_silent_is_looked_for_at_another_address(
    diagnosis: Diagnosis, searches: bool
) -> None:
    """Now and then, after a minute; not when its machine answers, nor without a link."""
    whereabouts = Searching()
    soak = Soak(
        soak_plan(hours=0.3, every_s=5000.0),
        World(outages=[Outage(100.0, 180.0, diagnosis)]),
        whereabouts=whereabouts,
    )
    whereabouts.soak = soak
    in_fast_time(soak.run())
    if not searches:
        assert whereabouts.asked_s == []
        return
    assert whereabouts.asked_s[0] == pytest.approx(162.0, abs=2)
    assert len(whereabouts.asked_s) == 2
    assert whereabouts.asked_s[1] - whereabouts.asked_s[0] >= 60.0
    assert soak.notes == ["server_moved"]


def test_a_silent_reflector_stops_no_test() -> None:
    """The test server answers: there is something to test."""
    soak = Soak(soak_plan(hours=0.5), World(outages=[Outage(100.0, 900.0, REFLECTOR_SILENT)]))
    in_fast_time(soak.run())
    assert soak.events(RoundPassed) == []


def test_a_question_that_fails_is_said_once_and_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """The cause is then what the watch itself saw."""
    soak = Soak(soak_plan(hours=0.6), World(outages=[Outage(100.0, 60.0), Outage(620.0, 60.0)]))
    soak.path.fault = RuntimeError("as scripted")
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "complete"
    assert soak.notes == ["diagnosis_failed"]
    assert [ended.cause for ended in soak.events(OutageEnded)] == [Cause.PATH, Cause.PATH]
    assert "as scripted" in caplog.text


def test_roams_and_channel_moves_are_kept_with_their_time() -> None:
    facts: list[tuple[float, Seen]] = [
        (700.0, Roam(BEGIN_S + 699.5, "ap-1", None)),
        (900.0, Move(BEGIN_S + 899.5, 36, 80, 100, 40)),
        (950.0, Blind(BEGIN_S + 949.5, True, "no pass")),
        (960.0, Blind(BEGIN_S + 959.5, False, "a pass again")),
    ]
    soak = Soak(soak_plan(hours=0.5), World(facts=facts))
    in_fast_time(soak.run())
    assert soak.events(Roamed) == [Roamed("ap-1", None)]
    assert soak.events(ChannelMoved) == [ChannelMoved(36, 80, 100, 40)]
    assert soak.events(WatchBlind) == [WatchBlind(True, "no pass"), WatchBlind(False, "a pass again")]
    assert soak.times_s(Roamed) == pytest.approx([699.5])
    assert soak.times_s(ChannelMoved) == pytest.approx([899.5])
    [happened] = [one for one in soak.heard(Happened) if isinstance(one.event, Roamed)]
    assert (happened.at - NIGHT).total_seconds() == pytest.approx(699.5)


def test_sleep_is_an_event_and_the_wanted_time_goes_on_meanwhile() -> None:
    """Two hours wanted, of which the laptop sleeps one; the clock of the rounds stands still with it."""
    soak = Soak(soak_plan(hours=2), World(sleeps=[(1800.0, 3600.0)]))
    outcome = in_fast_time(soak.run())
    assert soak.events(Slept) == [Slept(3600.0, stall=False)]
    assert len(soak.kept.seconds) == pytest.approx(3600, abs=11)
    assert (soak.kept.seconds[-1].at - NIGHT).total_seconds() == pytest.approx(7200.0, abs=11)
    assert (outcome.outcome, outcome.passed, outcome.rounds) == ("complete", 0, 30)


def test_seconds_are_kept_ten_at_a_time_and_the_last_ones_before_the_end() -> None:
    soak = Soak(soak_plan(hours=125.5 / 3600))
    in_fast_time(soak.run())
    assert soak.kept.batches == [10] * 12 + [5]
    assert [second.offset_s for second in soak.kept.seconds] == pytest.approx(list(range(125)))
    assert [(second.at - NIGHT).total_seconds() for second in soak.kept.seconds] == pytest.approx(list(range(125)))
    assert len(soak.heard(SecondSeen)) == 125


def test_a_test_that_the_path_leaves_is_data() -> None:
    """Not made again, not left out."""
    soak = Soak(soak_plan(rounds=3), World(outages=[Outage(125.0, 60.0)]))
    in_fast_time(soak.run())
    assert [test.status for test in soak.kept.tests] == [Status.OK, Status.FAILED, Status.OK]
