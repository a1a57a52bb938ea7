"""The simulated player, from scenario to `counted`: sampler, flags, judgement, retry rule; the clock only jumps.

A scenario begins with the load; the window lasts from its second 2 to its second 22. All but the radio is as in the
scene in which nothing is wrong, so that flags and unknowns are exactly those of the radio's story.
"""

import threading
from collections.abc import Callable
from dataclasses import replace

import flag_scenes as made
import pytest
from bookshop_visit import attempt, bookshop_plan

from sitetest.engines.window import Window
from sitetest.observe.link.place_names import Labels
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.sampler import LinkSampler
from sitetest.observe.link.scenario import SCENARIOS, Scenario
from sitetest.observe.link.scenario_reader import ScenarioReader
from sitetest.observe.observed import Observed
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.tidy import is_counted
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.flags import Confounders, Earlier, Scene, confounders, weighed
from sitetest.visit.retry import Accept, Again, Decision, GiveUp, decide
from sitetest.visit.validity import Judgement

NAMES = Labels(b"a salt of this test")
HERE, THERE = NAMES.bssid("02:00:00:aa:bb:01"), NAMES.bssid("02:00:00:aa:bb:02")
SLOT = bookshop_plan().slots[0]
SPEC = replace(made.SPEC, warm_up_s=2.0, duration_s=20.0)
ENDS_S = 22.0

NOT_PLAYED = ("punctured", "radio_retries", "busy_channel")
"""No scenario plays punctured channels, frame counters or busy shares."""


class JumpingTime:
    """A clock that moves when the sampler pauses, and hands events over before it does."""

    def __init__(self) -> None:
        self.now_s = made.START_S

    def clock(self) -> float:
        return self.now_s

    def pause(self, stopping: threading.Event, duration_s: float) -> bool:
        self.now_s += duration_s
        if self.now_s >= made.START_S + ENDS_S:
            stopping.set()
        return stopping.is_set()


class Inline:
    """Calls in the same thread."""

    def call(self, function: Callable[[], LinkSample], limit_s: float) -> LinkSample:
        return function()

    def close(self, limit_s: float) -> None:
        """Nothing is held."""


def watched(scenario: Scenario) -> Observed:
    """What the observers wrote down of a scenario. Events are collected after the last sample, at their own times."""
    time = JumpingTime()
    reader = ScenarioReader(scenario, NAMES, time.clock)
    reader.begin()
    source = reader.events("wlan0")
    sampler = LinkSampler(reader, "wlan0", clock=time.clock, pause=time.pause, caller=Inline())
    before = reader.facts("wlan0", 0.0)
    sampler.run()
    link = replace(sampler.log(), events=source.wait(0.0), events_available=True)
    assert len(link.samples) == 23, "one a second, and the last"
    seconds = tuple(made.host_sample(made.START_S + 0.4 + second) for second in range(1, 23))
    return made.observed(
        load_until_s=made.START_S + ENDS_S, link=link, facts_before=before, facts_after=before, host=seconds
    )


def seen(
    scenario: Scenario, earlier: AttemptRecord | None = None, expected: ExpectedRadio | None = None
) -> Confounders:
    """The flags of an attempt during which the scenario is played."""
    steps = [replace(one, at_s=one.at_s * 2) for one in made.transfer(2 * made.RATE_MBPS).receiver]
    result = made.transfer(receiver=tuple(steps), spec=SPEC)
    return confounders(
        Scene(
            result=result,
            observed=watched(scenario),
            window=Window(made.START_S + 2.0, made.START_S + ENDS_S),
            expected=expected,
            earlier=Earlier(earlier, earlier),
        )
    )


def kept(found: Confounders, number: int = 1) -> AttemptRecord:
    """The attempt as it is kept."""
    judgement = weighed(Judgement(Status.OK, "", ()), found)
    return attempt(
        SLOT,
        test_id=f"test-{number}",
        attempt=number,
        status=judgement.status,
        reason=judgement.reason,
        flags=judgement.flags,
        unknown=found.unknown,
    )


def decisions(scenario: Scenario) -> list[Decision | None]:
    """What the retry rule says after each try, the same happening again, until the slot is settled."""
    history: list[AttemptRecord] = []
    said: list[Decision | None] = []
    while not said or isinstance(said[-1], Again):
        history.append(kept(seen(scenario), len(history) + 1))
        said.append(decide(history, SLOT))
    return said


# scenario            flags that it raises                   unknown beside NOT_PLAYED   tries   counted
STORIES: list[tuple[str, dict[str, str], tuple[str, ...], int, bool]] = [
    ("steady", {}, (), 1, True),
    ("roam", {"roamed": "invalid"}, (), 3, False),
    ("width_fallback", {"width_fallback": "doubt"}, (), 1, False),
    ("channel_move", {"channel_moved": "doubt"}, (), 1, False),
    ("scan_burst", {"scanned": "doubt"}, (), 1, False),
    ("power_save", {"power_save": "note"}, (), 1, True),
    ("frozen_signal", {"frozen_rssi": "note"}, (), 1, True),
    ("permission_lost", {"permission_lost": "note"}, ("roamed",), 1, True),
    ("reassociation", {"reassociated": "doubt"}, (), 1, False),
]


@pytest.mark.parametrize(("name", "flags", "unknown", "tries", "counted"), STORIES, ids=[story[0] for story in STORIES])
def test_a_story_gives_exactly_its_flags_retries_and_counted(
    name: str, flags: dict[str, str], unknown: tuple[str, ...], tries: int, counted: bool
) -> None:
    found = seen(SCENARIOS[name])
    assert {flag.name: flag.severity for flag in found.flags} == flags
    assert set(found.unknown) == {*NOT_PLAYED, *unknown}
    record = kept(found)
    assert is_counted(record) is counted
    assert record.status is (Status.INVALID if "invalid" in flags.values() else Status.OK)
    said = decisions(SCENARIOS[name])
    assert len(said) == tries
    assert [type(one) for one in said[:-1]] == [Again] * (tries - 1)
    assert isinstance(said[-1], GiveUp if tries > 1 else Accept)


def test_every_scenario_has_its_story() -> None:
    assert {story[0] for story in STORIES} == set(SCENARIOS)


def test_a_spoilt_try_is_made_good_by_the_next() -> None:
    """Invalid, then ok: the slot is settled by the second try, and only that one counts."""
    history = [kept(seen(SCENARIOS["roam"]), 1)]
    first = decide(history, SLOT)
    assert isinstance(first, Again)
    assert first.left == 1
    assert first.reason.startswith("roamed: ")
    history.append(kept(seen(SCENARIOS["steady"]), 2))
    assert decide(history, SLOT) == Accept()
    assert [is_counted(record) for record in history] == [False, True]


def test_against_an_earlier_attempt_of_the_same_ap_config() -> None:
    """Channel 149 instead of 36, another name, 9 dB less: what differs from the first counted attempt is doubted."""
    first = made.first_attempt(bssid_label=HERE, rssi_dbm=-52.0)
    moved = Scenario("other", "On the other access point from the start.", replace(SCENARIOS["roam"].state_at(10)))
    assert {flag.name: flag.severity for flag in seen(moved, first).flags} == {
        "radio_changed": "doubt",
        "moved_client": "doubt",
    }
    assert seen(SCENARIOS["steady"], first).flags == ()


def test_power_save_that_came_on_since_is_doubted() -> None:
    found = seen(SCENARIOS["power_save"], made.first_attempt(bssid_label=HERE, power_save=False))
    assert [(flag.name, flag.severity) for flag in found.flags] == [("power_save", "doubt")]


def test_a_laptop_that_strays_from_the_declared_access_point_measures_nothing() -> None:
    """The profile declares the first one; after the roam 15 of the window's 21 seconds are on the other."""
    declared = ExpectedRadio("auto", "counter", band="5", bssids=frozenset({HERE}))
    found = seen(SCENARIOS["roam"], expected=declared)
    assert [(flag.name, flag.severity) for flag in found.flags] == [("wrong_radio", "invalid"), ("roamed", "invalid")]
    assert THERE in found.flags[0].reason
    both = replace(declared, bssids=frozenset({HERE, THERE}))
    assert [flag.name for flag in seen(SCENARIOS["roam"], expected=both).flags] == ["roamed"]


def test_without_the_permission_the_declared_access_point_cannot_be_told() -> None:
    declared = ExpectedRadio("auto", "counter", bssids=frozenset({HERE}))
    found = seen(SCENARIOS["permission_lost"], expected=declared)
    assert set(found.unknown) == {*NOT_PLAYED, "roamed", "wrong_radio"}


def test_a_width_that_falls_short_of_the_declared_one() -> None:
    declared = ExpectedRadio("wide80", "counter", width_mhz=160)
    found = seen(SCENARIOS["steady"], expected=declared)
    assert [(flag.name, flag.severity) for flag in found.flags] == [("width_fallback", "doubt")]
