"""How a soak stands, folded out of its happenings."""

import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import get_args

import pytest
from soak_happenings import (
    EVENING,
    MORNING,
    SLOT,
    a_round,
    a_second,
    at,
    away,
    back,
    happened,
    kept,
    part,
    started,
    switching,
    turned,
)
from store_records import an_attempt, an_event

from sitetest.store.records import EventRecord, Status
from sitetest.store.soak_events import (
    Cause,
    ChannelMoved,
    MeasuringPaused,
    MeasuringResumed,
    OutageBegan,
    Roamed,
    RoundPassed,
    Slept,
    SoakEvent,
    SwitchTried,
    WatchBlind,
    detail_of,
    kind_of,
)
from sitetest.visit.events import Noted, ServerQueue
from sitetest.visit.soak.events import Resting, SlotStarted, SoakEnded, SoakHappening
from sitetest.visit.soak.state import (
    SLEEP_NOT_HELD_OFF,
    Phase,
    SoakState,
    StateFollower,
    after,
    ended,
    of_earlier_parts,
)

PAUSED = MeasuringPaused("disk_full", "there is no room left")


def folded(*happenings: SoakHappening, state: SoakState | None = None, now: datetime = EVENING) -> SoakState:
    """Fold happenings, one a minute."""
    state = state or SoakState(since=now)
    for minute, happening in enumerate(happenings):
        state = after(state, happening, now + timedelta(minutes=minute))
    return state


@pytest.mark.parametrize(
    ("happenings", "phase", "since_minutes"),
    [
        ([], Phase.STARTING, 0),
        ([started(), part()], Phase.STARTING, 0),
        ([started(), switching()], Phase.SWITCHING, 1),
        ([started(), switching(), turned()], Phase.RESTING, 2),
        ([started(), switching(), turned(), a_round()], Phase.TESTING, 3),
        ([started(), switching(), turned(), a_round(), kept(), kept()], Phase.TESTING, 3),
        ([started(), a_round(), Resting(240)], Phase.RESTING, 2),
        ([started(), a_round(), Resting(240), away(3)], Phase.PATH_AWAY, 3),
        ([started(), a_round(), Resting(240), away(3), Resting(300)], Phase.PATH_AWAY, 3),
        ([started(), a_round(), Resting(240), away(3), back(3, 60)], Phase.RESTING, 4),
        # the test server answers, and only its reflector is silent: tests go on
        ([started(), a_round(), Resting(240), away(3), a_round(2), SlotStarted(SLOT)], Phase.TESTING, 5),
        ([started(), away(1), a_round(), SlotStarted(SLOT), Resting(240)], Phase.RESTING, 4),
        ([started(), away(1), a_round(), SlotStarted(SLOT), back(1, 60), away(5)], Phase.PATH_AWAY, 5),
        # absence while we switch is ours
        ([started(), a_round(), away(2), switching()], Phase.SWITCHING, 3),
        ([started(), a_round(), happened(PAUSED)], Phase.PAUSED, 2),
        ([started(), a_round(), happened(PAUSED), away(3)], Phase.PATH_AWAY, 3),
        ([started(), a_round(), happened(PAUSED), happened(MeasuringResumed("disk_full", 60))], Phase.TESTING, 3),
        ([started(), a_round(), away(2), SoakEnded("visit-1", "complete", 1, 2)], Phase.ENDED, 3),
    ],
)
def test_what_it_says_it_is_doing(happenings: list[SoakHappening], phase: Phase, since_minutes: float) -> None:
    state = folded(*happenings)
    assert (state.phase, state.since) == (phase, at(since_minutes))


def test_names_and_numbers() -> None:
    state = folded(
        started(), part(), switching(1, "wide80"), turned(1, "wide80"), a_round(1, 1, "wide80"), Resting(240)
    )
    assert (state.site, state.location, state.profile, state.visit_id) == (
        "quay-street-bookshop",
        "basement",
        "overnight",
        "visit-1",
    )
    assert (state.turn, state.round, state.rounds_begun, state.ap_config) == (1, 1, 1, "wide80")
    assert state.until == MORNING
    assert state.next_round_at == at(5) + timedelta(seconds=240)
    assert state.awake is True
    assert folded(a_round(2, 1), state=state).next_round_at is None


def test_tests_are_counted_and_the_last_of_each_case_is_kept() -> None:
    slow = an_attempt(2, throughput_mbps=12.5, rtt_loaded_p95_ms=80.0)
    failed = an_attempt(3, direction="upload", status=Status.FAILED, throughput_mbps=None, moved_bytes=0)
    state = folded(started(), kept(an_attempt(1)), kept(slow), kept(failed))
    assert state.tests == {"ok": 2, "failed": 1, "invalid": 0, "interrupted": 0}
    assert state.moved_bytes == 2 * slow.moved_bytes
    download = state.last_tests["auto", "lan", "http", "download"]
    assert (download.throughput_mbps, download.rtt_loaded_p95_ms) == (12.5, 80.0)
    assert state.last_tests["auto", "lan", "http", "upload"].status is Status.FAILED


def test_only_link_and_path_are_dropouts() -> None:
    outages = [back(10 * number, 2.0**number, cause) for number, cause in enumerate(Cause)]
    state = folded(started(), *outages)
    link_and_path_s = 2.0 ** list(Cause).index(Cause.LINK) + 2.0 ** list(Cause).index(Cause.PATH)
    assert (state.dropouts.count, state.dropouts.total_s) == (2, link_and_path_s)
    assert {cause: outages.count for cause, outages in state.outages.items()} == dict.fromkeys(Cause, 1)
    last = folded(back(30, 3.0, Cause.LINK), back(20, 9.0, Cause.PATH)).dropouts.last
    assert last is not None
    assert last.began_at == at(30)


def test_an_outage_that_was_over_before_it_was_noticed_counts() -> None:
    state = folded(started(), back(1, 0.9))
    assert (state.dropouts.count, state.away_since) == (1, None)


def test_the_watch_and_what_it_tells() -> None:
    state = folded(started(), a_second(), a_second(answered=4))
    assert (state.up, state.probes, state.probes_answered) == (True, 20, 14)
    blind = folded(happened(WatchBlind(True, "the server gives no pass")), a_second(up=None, probes=0), state=state)
    assert (blind.blind, blind.up, blind.blind_why) == (True, None, "the server gives no pass")
    assert not folded(happened(WatchBlind(False, "")), state=blind).blind


def test_everything_else_is_counted() -> None:
    events: list[SoakEvent] = [
        Slept(600, stall=False),
        Slept(30, stall=True),
        Roamed("ap-1", "ap-2"),
        ChannelMoved(36, 80, 52, 80),
        RoundPassed(2, "path_away"),
        RoundPassed(3, "path_away"),
        SwitchTried(2, "wide80", 1, False, 5.0, "no answer", None, "it ended with 1"),
    ]
    state = folded(*(happened(event) for event in events))
    assert (state.sleeps.count, state.sleeps.total_s) == (1, 600)
    assert (state.stalls.count, state.stalls.total_s) == (1, 30)
    assert (state.roams, state.channel_moves) == (1, 1)
    assert state.rounds_passed == {"path_away": 2}
    assert state.switches == {("wide80", False): 1}


def test_a_lock_on_sleep_that_is_lost_is_not_held() -> None:
    state = folded(part(), Noted("clock_set", "the clock was set"))
    assert state.awake is True
    state = folded(Noted(SLEEP_NOT_HELD_OFF, "its program has ended"), state=state)
    assert (state.awake, state.awake_why) == (False, "its program has ended")


def test_a_later_part_begins_with_the_counts_of_the_earlier_ones() -> None:
    """Through the store's own form of the events; what was open when the agent died is not open any more."""
    events = [back(1, 60.0).event, Slept(600, stall=False), PAUSED, OutageBegan(at(50))]
    records = [EventRecord("visit-1", at(60), 3600.0, kind_of(event), detail_of(event)) for event in events]
    state = of_earlier_parts(at(60), [an_attempt(1), an_attempt(2)], [an_event(), *records], 11)
    assert state.rounds_due == 11
    assert (state.tests["ok"], state.dropouts.total_s, state.sleeps.count) == (2, 60.0, 1)
    assert state.phase is Phase.STARTING
    state = folded(started(resumed=12), state=state)
    assert (state.round, state.rounds_begun) == (12, 2)  # tests were made in two of them, the others passed
    state = folded(a_round(13), happened(RoundPassed(14, "path_away")), state=state)
    assert (state.round, state.rounds_due, state.rounds_begun, state.tests["ok"]) == (13, 14, 3, 2)


def test_a_soak_that_never_said_how_it_ended_has_no_outcome() -> None:
    state = ended(folded(started(), a_round(), Resting(240)), at(5))
    assert (state.phase, state.outcome, state.next_round_at, state.since) == (Phase.ENDED, None, None, at(5))
    said = folded(SoakEnded("visit-1", "interrupted", 1, 2))
    assert ended(said, at(5)) is said


def test_the_documentation_has_every_state_and_every_event(repository: Path) -> None:
    text = (repository / "docs" / "soak.md").read_text(encoding="utf-8")
    states = re.search(r"^`state` is (.+?)\.", text, re.MULTILINE)
    assert states is not None
    assert re.findall(r"`(\w+)`", states[1]) == [str(phase) for phase in Phase]
    kinds = {kind.KIND for kind in get_args(SoakEvent)} - {"part_began"}  # a begin needs no row
    assert {kind for kind in kinds if f"`{kind}`" not in text} == set()


def test_a_follower_tells_only_what_changes_something() -> None:
    told: list[tuple[Phase, Phase]] = []
    follower = StateFollower(lambda: EVENING)
    follower.when_it_changes.append(lambda before, now: told.append((before.phase, now.phase)))
    follower(started())
    follower(ServerQueue(1, 30.0, None))
    follower(a_round())
    assert told == [(Phase.STARTING, Phase.STARTING), (Phase.STARTING, Phase.TESTING)]
    assert follower.state.round == 1
