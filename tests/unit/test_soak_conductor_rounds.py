"""When a soak tests: by the clock, never twice, never beyond what is allowed; and what rounds are passed."""

import pytest
from fast_time import in_fast_time
from soak_fakes import DOWNLOAD, FAR_DOWNLOAD, TEST_S, UPLOAD, Outage, Soak, World, soak_plan

from sitetest.plan.cases import Leg
from sitetest.store.records import Doing, Purpose, Status
from sitetest.store.soak_events import MeasuringPaused, PartBegan, RoundPassed
from sitetest.visit.soak.events import (
    Resting,
    RoundStarted,
    SecondSeen,
    SlotStarted,
    SlotStored,
    SoakEnded,
    SoakStarted,
)

STEADY_BYTES = round(400e6 / 8 * TEST_S)
"""What a test of the fakes moves: 400 Mbit/s from its first byte to its end."""


def passed(soak: Soak) -> list[tuple[int, str]]:
    return [(event.round, event.reason) for event in soak.events(RoundPassed)]


def test_rounds_begin_by_the_clock_whatever_they_take() -> None:
    """Five hours, every two minutes: the 150th begins at 149 x 120 s sharp."""
    soak = Soak(soak_plan(hours=5, transfers=(DOWNLOAD, UPLOAD)))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.rounds, outcome.passed, outcome.tests) == ("complete", 150, 0, 300)
    assert soak.began_s[::2] == pytest.approx([120.0 * number for number in range(150)])
    assert soak.kept.ended == ["complete"]


def test_a_round_tests_each_transfer_once_and_says_so() -> None:
    soak = Soak(soak_plan(rounds=2, transfers=(DOWNLOAD, UPLOAD)))
    in_fast_time(soak.run())
    tests = soak.kept.tests
    assert [(test.repeat, test.direction) for test in tests] == [
        (1, "download"),
        (1, "upload"),
        (2, "upload"),
        (2, "download"),
    ]
    assert {(test.attempt, test.purpose, test.status) for test in tests} == {(1, Purpose.PLANNED, Status.OK)}
    assert [test.order_index for test in tests] == [1, 2, 3, 4]
    assert [started.number for started in soak.heard(RoundStarted)] == [1, 2]
    assert [stored.record for stored in soak.heard(SlotStored)] == tests
    kinds = [type(one) for one in soak.said if not isinstance(one, SecondSeen)]
    assert kinds.index(SoakStarted) < kinds.index(RoundStarted) < kinds.index(SlotStarted) < kinds.index(SlotStored)
    assert kinds[-1] is SoakEnded
    assert [rest.for_s for rest in soak.heard(Resting)] == pytest.approx([120 - 2 * TEST_S])
    assert soak.events(PartBegan) == [PartBegan(False, None, awake=True, awake_why="an inhibitor lock")]


def test_a_test_that_fails_is_kept_and_not_made_again() -> None:
    """The next round comes anyway. This outage is over when the network is asked, so that the network was well."""
    soak = Soak(soak_plan(rounds=3), World(outages=[Outage(121.0, 20.0)]))
    in_fast_time(soak.run())
    assert [(test.repeat, test.attempt, test.status) for test in soak.kept.tests] == [
        (1, 1, Status.OK),
        (2, 1, Status.FAILED),
        (3, 1, Status.OK),
    ]


def test_rounds_that_are_due_while_the_path_is_away_are_passed_one_by_one() -> None:
    """No test against a dead path, no burst when it is back."""
    soak = Soak(soak_plan(hours=1), World(outages=[Outage(300.0, 700.0)]))
    outcome = in_fast_time(soak.run())
    assert passed(soak) == [(number, "path_away") for number in range(4, 10)]
    assert soak.times_s(RoundPassed) == pytest.approx([120.0 * place for place in range(3, 9)])
    assert (outcome.rounds, outcome.passed) == (24, 6)
    assert soak.began_s[3:5] == pytest.approx([1080.0, 1200.0])


def test_a_path_that_dies_within_a_round_ends_the_round() -> None:
    """The running test fails by itself, the one after it is left out; the round was tested, so it was not passed."""
    soak = Soak(soak_plan(rounds=2, transfers=(DOWNLOAD, UPLOAD)), World(outages=[Outage(5.0, 60.0)]))
    in_fast_time(soak.run())
    assert [(test.repeat, test.direction, test.status) for test in soak.kept.tests] == [
        (1, "download", Status.FAILED),
        (2, "upload", Status.OK),
        (2, "download", Status.OK),
    ]
    assert passed(soak) == []


def test_tests_take_no_more_than_their_share_of_the_time() -> None:
    """11.1 s of tests at 20 % take 55.5 s of the time: of rounds every 20 s two are passed and the third is tested."""
    soak = Soak(soak_plan(rounds=9, every_s=20.0, most_busy_share=0.2))
    outcome = in_fast_time(soak.run())
    assert soak.began_s == pytest.approx([0.0, 60.0, 120.0])
    assert passed(soak) == [(2, "busy"), (3, "busy"), (5, "busy"), (6, "busy"), (8, "busy"), (9, "busy")]
    assert (outcome.rounds, outcome.passed, outcome.tests) == (3, 6, 3)


def test_rounds_that_are_due_during_a_test_are_passed_and_not_caught_up() -> None:
    soak = Soak(soak_plan(rounds=6, every_s=5.0, most_busy_share=1.0))
    in_fast_time(soak.run())
    assert soak.began_s == pytest.approx([0.0, 15.0])
    assert passed(soak) == [(2, "busy"), (3, "busy"), (5, "busy"), (6, "busy")]


def test_a_soak_of_rounds_has_an_end_whatever_happens() -> None:
    """A path that never answers is waited for before the first round; then three rounds are three rounds."""
    soak = Soak(soak_plan(rounds=3), World(outages=[Outage(0.0, 1e6)]))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests) == ("complete", 0)
    assert passed(soak) == [(1, "path_away"), (2, "path_away"), (3, "path_away")]
    assert soak.times_s(RoundPassed) == pytest.approx([900.0, 1020.0, 1140.0], abs=0.1)


@pytest.mark.parametrize(("seconds", "tests"), [(120 + 11.0, 1), (120 + 15.0, 2)])
def test_no_test_begins_that_cannot_end_in_time_and_the_watch_goes_on_until_then(seconds: float, tests: int) -> None:
    """`plan.estimate.attempt_s` expects some 13.5 s for a test that really takes 11.1 s here."""
    soak = Soak(soak_plan(hours=seconds / 3600))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests) == ("complete", tests)
    assert passed(soak) == []
    assert len(soak.kept.seconds) == pytest.approx(seconds, abs=1)


def test_of_a_round_only_what_can_end_in_time_is_tested() -> None:
    """Twenty seconds are left for two tests, of which each is expected to take some 13.5 s."""
    soak = Soak(soak_plan(hours=140 / 3600, transfers=(DOWNLOAD, UPLOAD)))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.rounds) == ("complete", 2)
    assert [(test.repeat, test.direction) for test in soak.kept.tests] == [
        (1, "download"),
        (1, "upload"),
        (2, "upload"),
    ]


def test_a_test_that_runs_as_the_time_ends_is_finished() -> None:
    """It took longer than any before it: its path was gone for ten seconds."""
    soak = Soak(soak_plan(hours=134 / 3600), World(outages=[Outage(130.0, 60.0)]))
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "complete"
    assert [test.status for test in soak.kept.tests] == [Status.OK, Status.FAILED]
    assert soak.kept.tests[-1].wall_s == pytest.approx(20.0)


def test_the_cap_over_all_data_ends_the_tests_and_not_the_watch() -> None:
    """Three tests fit; the fourth would go beyond, and so would all that follow."""
    soak = Soak(soak_plan(hours=1, data_bytes=3 * STEADY_BYTES + 1000))
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests, outcome.passed) == ("complete", 3, 27)
    [paused] = soak.events(MeasuringPaused)
    assert paused.reason == "data_cap"
    assert "data cap of 1.665 GB" in paused.why
    assert {reason for _, reason in passed(soak)} == {"data_cap"}
    assert len(soak.kept.seconds) == 3600


def test_the_internet_cap_ends_the_internet_tests_alone() -> None:
    plan = soak_plan(rounds=5, transfers=(DOWNLOAD, FAR_DOWNLOAD), internet_data_bytes=2 * STEADY_BYTES + 1000)
    soak = Soak(plan)
    in_fast_time(soak.run())
    legs = [test.leg for test in soak.kept.tests]
    assert (legs.count(Leg.LAN), legs.count(Leg.INTERNET)) == (5, 2)
    assert soak.notes == ["data_cap"]
    assert soak.events(MeasuringPaused) == []
    assert passed(soak) == []


def test_seconds_say_what_the_agent_did_to_the_path() -> None:
    """A test takes 11.1 s; whatever second it touches is one of a transfer."""
    soak = Soak(soak_plan(rounds=2))
    in_fast_time(soak.run())
    doing = [second.doing for second in soak.kept.seconds]
    assert doing[:12] == [Doing.TRANSFER] * 12
    assert set(doing[12:120]) == {Doing.NOTHING}
    assert doing[120:131] == [Doing.TRANSFER] * len(doing[120:131])
