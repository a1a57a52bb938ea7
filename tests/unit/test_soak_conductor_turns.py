"""AP configs switched by command all night: in order, waited for, never measured under a wrong name."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest
from fast_time import in_fast_time
from soak_fakes import NIGHT, Outage, Soak, World, WorldSwitch, soak_plan

from sitetest.store.records import Doing
from sitetest.store.soak_events import OutageBegan, OutageEnded, RoundPassed, SwitchTried
from sitetest.visit.diagnosis import Answer, Diagnosis
from sitetest.visit.events import SwitchStarted, TurnStarted
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.soak.patience import SoakPatience

BOTH = ("auto", "wide80")
AWAY_S = {"auto": 20.0, "wide80": 65.0}
"""A radar-checked channel is listened to for a minute before it is used."""


def two_configs(
    *,
    hours: float = 2.0,
    world: World | None = None,
    away_s: Callable[[str], float] = lambda ap_config: AWAY_S[ap_config],
    problem: Callable[[str, float], str | None] = lambda ap_config, at_s: None,
    checks_radio: bool = False,
    every_s: float = 120.0,
    turn_s: float = 1800.0,
) -> Soak:
    return Soak(
        soak_plan(hours=hours, ap_configs=BOTH, every_s=every_s, turn_s=turn_s),
        world or World(),
        by_command=True,
        make_switch=lambda night: WorldSwitch(night, away_s, problem),
        checks_radio=checks_radio,
    )


def applied(soak: Soak) -> list[str]:
    assert isinstance(soak.switch, WorldSwitch)
    return [ap_config for _, ap_config in soak.switch.applied]


def test_ap_configs_take_turns_of_half_an_hour_in_the_order_of_the_plan() -> None:
    """Fifteen rounds of two minutes a turn; the command is run at every turn, also for the same AP config."""
    soak = two_configs(hours=4)
    outcome = in_fast_time(soak.run())
    assert outcome.passed == 0
    order = ("auto", "wide80", "wide80", "auto") * 2
    assert soak.turns == list(enumerate(order, start=1))
    assert applied(soak) == [ap_config for _, ap_config in soak.turns]
    tests = soak.kept.tests
    assert [sum(test.turn == turn for test in tests) for turn in range(1, 8)] == [15] * 7
    assert all(test.ap_config == dict(soak.turns)[test.turn] for test in tests)
    assert [turn.switched for turn in soak.kept.turns] == ["command"] * 8
    assert [one.by for one in soak.heard(SwitchStarted)] == ["command"] * 8


def test_the_time_to_come_back_is_a_result_and_no_outage() -> None:
    """Counted from the end of the command, although the access point only went away a moment after it."""
    soak = two_configs()
    in_fast_time(soak.run())
    for turn in soak.kept.turns:
        assert turn.back_s == pytest.approx(AWAY_S[turn.ap_config] + 0.3, abs=2.0)
    assert [tried.back_s for tried in soak.events(SwitchTried)] == [turn.back_s for turn in soak.kept.turns]
    assert [one.back_s for one in soak.heard(TurnStarted)] == [turn.back_s for turn in soak.kept.turns]
    assert soak.events(OutageBegan) == []
    assert soak.events(OutageEnded) == []


def test_a_watch_that_sees_the_path_later_than_the_server_answers_makes_no_outage_of_it() -> None:
    """It may have to get a new pass first, and tells the end of an absence a moment after that: the turn waits for it,
    within reason, before an absence is no longer ours."""
    soak = two_configs(hours=1, world=World(watch_lag_s=10.0))
    in_fast_time(soak.run())
    assert len(soak.turns) == 2
    assert soak.events(OutageBegan) == []
    assert soak.events(OutageEnded) == []


def test_output_and_length_of_a_command_that_worked_are_kept() -> None:
    soak = two_configs(hours=0.4)
    in_fast_time(soak.run())
    [tried] = soak.events(SwitchTried)
    assert (tried.turn, tried.ap_config, tried.attempt, tried.worked) == (1, "auto", 1, True)
    assert (tried.output, tried.why) == ("now auto", "")
    assert tried.command_s == pytest.approx(2.0)


def test_seconds_of_switching_are_marked_from_the_command_until_the_path_is_back() -> None:
    """No probe that the switch cost is charged to the network."""
    soak = two_configs()
    in_fast_time(soak.run())
    lost = [second for second in soak.kept.seconds if second.answered < second.probes]
    assert sum(second.probes - second.answered for second in lost) == pytest.approx(
        10 * sum(AWAY_S[turn.ap_config] for turn in soak.kept.turns), abs=10
    )
    assert {second.doing for second in lost} == {Doing.SWITCH}


def test_rounds_that_are_due_while_switching_are_passed_as_that() -> None:
    """A test takes half of the twenty seconds, the switch more than the rest."""
    soak = two_configs(hours=0.6, every_s=25.0)
    in_fast_time(soak.run())
    passed = soak.events(RoundPassed)
    assert {one.reason for one in passed} == {"switching"}
    assert [one.round for one in passed] == [73, 74, 75], "65 s for the second turn, whose first round was the 73rd"


def test_a_turn_whose_switch_takes_all_its_time_has_a_round_all_the_same() -> None:
    """Wide80 is away for longer than its turn of two rounds; or it would be applied all night and never tested."""
    soak = two_configs(hours=0.5, every_s=25.0, turn_s=50.0)
    in_fast_time(soak.run())
    tested = [sum(test.turn == turn for test in soak.kept.tests) for turn, _ in soak.turns]
    assert len(tested) > 20
    assert set(tested[:-1]) <= {1, 2}, "the last turn may be cut off by the end"
    wide = [tests for (_, ap_config), tests in zip(soak.turns, tested, strict=True) if ap_config == "wide80"]
    assert set(wide[1:-1]) == {1}


def test_a_command_that_fails_is_tried_again_and_each_try_is_kept() -> None:
    problems = iter(["exit code 1", "exit code 1"])
    soak = two_configs(hours=0.4, problem=lambda ap_config, at_s: next(problems, None))
    in_fast_time(soak.run())
    tried = soak.events(SwitchTried)
    assert [(one.attempt, one.worked, one.why, one.output) for one in tried] == [
        (1, False, "exit code 1", "no"),
        (2, False, "exit code 1", "no"),
        (3, True, "", "now auto"),
    ]
    assert [one.back_s is None for one in tried] == [True, True, False]
    assert soak.turns == [(1, "auto")]


def test_what_cannot_be_applied_loses_its_turn_and_the_soak_goes_on_with_what_works() -> None:
    """Wide80 fails all night: its turns are lost at once and said to be, auto is measured all the time; after every
    lost turn wide80 is tried again when it is due."""
    soak = two_configs(hours=4, problem=lambda ap_config, at_s: "no answer" if ap_config == "wide80" else None)
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "complete"
    assert {test.ap_config for test in soak.kept.tests} == {"auto"}
    assert outcome.tests >= 110, "of 120 rounds, some of which fell into a try to switch"
    lost = {one.turn for one in soak.events(SwitchTried) if not one.worked}
    assert lost == {turn for turn in range(1, max(lost) + 1) if turn % 4 in {2, 3}}
    assert soak.notes == ["not_applied"] * len(lost)
    assert [turn for turn, _ in soak.turns] == [n for n in range(1, soak.turns[-1][0] + 1) if n % 4 in {0, 1}]


def test_what_could_not_be_applied_for_a_while_is_measured_again_later() -> None:
    """The access point's management is away for the first hour and a half."""
    soak = two_configs(
        hours=4, problem=lambda ap_config, at_s: "no answer" if ap_config == "wide80" and at_s < 5400 else None
    )
    in_fast_time(soak.run())
    wide = [test for test in soak.kept.tests if test.ap_config == "wide80"]
    assert wide
    assert all(test.offset_s > 5400 for test in wide)


def test_when_nothing_can_be_applied_the_rounds_pass_and_commands_are_not_run_all_night() -> None:
    """Three tries in each of the four turns of a quad, then a turn's rest; the watch goes on."""
    soak = two_configs(hours=2, problem=lambda ap_config, at_s: "no answer")
    outcome = in_fast_time(soak.run())
    assert (outcome.outcome, outcome.tests) == ("complete", 0)
    assert {one.reason for one in soak.events(RoundPassed)} <= {"not_applied", "switching"}
    assert outcome.passed >= 55
    assert len(applied(soak)) == 3 * 4 * 4
    assert len(soak.kept.seconds) == 7200


def test_a_path_that_does_not_come_back_is_waited_for_within_the_turn() -> None:
    """Patience ends after fifteen minutes; then the turn begins, its rounds are passed, and its absence is an outage
    from then on, since we no longer switch."""
    soak = two_configs(hours=0.97, away_s=lambda ap_config: 1500.0 if ap_config == "wide80" else 20.0)
    in_fast_time(soak.run())
    assert soak.turns[:2] == [(1, "auto"), (2, "wide80")]
    assert soak.kept.turns[1].back_s is None
    tried = soak.events(SwitchTried)[1]
    assert (tried.worked, tried.back_s) == (True, None)
    assert "did not answer within 900 s" in tried.why
    assert "not_back" in soak.notes
    [began], [ended] = soak.events(OutageBegan), soak.events(OutageEnded)
    assert began.began_at == ended.began_at == soak.kept.turns[1].started_at
    assert ended.length_s == pytest.approx(1500.0 - 900.0, abs=10)
    assert "path_away" in {one.reason for one in soak.events(RoundPassed)}


def test_a_reflector_that_stays_silent_after_a_switch_holds_no_turn_up() -> None:
    """The server answers: the watch is given some seconds, then the turn begins and is tested."""
    silent = Diagnosis(Answer.YES, Answer.YES, Answer.YES, Answer.YES)
    soak = two_configs(hours=0.4, world=World(outages=[Outage(1.0, 600.0, diagnosis=silent)]), away_s=lambda _: 0.0)
    in_fast_time(soak.run())
    [turn] = soak.kept.turns
    assert (turn.started_at - NIGHT).total_seconds() < 30
    assert {one.cause.value for one in soak.events(OutageEnded)} == {"reflector"}


WRONG = Mismatch(("band",), "ap-1 (2.4 GHz)", "The laptop is on ap-1 (2.4 GHz); the profile says 5 GHz.")


def test_the_turn_begins_when_the_laptop_is_on_the_declared_radio() -> None:
    """It comes back on another one and moves over by itself after forty seconds: that is part of coming back."""
    world = World(radio=lambda at_s: WRONG if at_s < 62.0 else None)
    soak = two_configs(hours=0.4, world=world, checks_radio=True)
    in_fast_time(soak.run())
    [turn] = soak.kept.turns
    assert turn.back_s == pytest.approx(60.0, abs=5.1)
    assert min(soak.began_s) >= 62.0


def test_an_absence_that_begins_in_the_last_moment_of_a_switch_and_lasts_is_an_outage() -> None:
    """The path answers twice, then the laptop takes until the twelfth second to be on its radio; a second before that
    the path is gone for five minutes. It is told when the switch is over, and counted from then."""
    world = World(radio=lambda at_s: WRONG if at_s < 10.0 else None, outages=[Outage(11.2, 300.0)])
    soak = two_configs(hours=0.4, world=world, away_s=lambda _: 0.0, checks_radio=True)
    in_fast_time(soak.run())
    [turn], [began], [ended] = soak.kept.turns, soak.events(OutageBegan), soak.events(OutageEnded)
    assert (turn.started_at - NIGHT).total_seconds() == pytest.approx(12.0, abs=0.1)
    assert (began.began_at - NIGHT).total_seconds() == pytest.approx(13.0, abs=1.1)
    assert began.began_at == ended.began_at
    assert ended.length_s == pytest.approx(298.2, abs=1.1)


def test_a_laptop_that_stays_on_another_radio_loses_the_turn() -> None:
    """Nothing is measured under a wrong name, and nothing ends."""
    world = World(radio=lambda at_s: WRONG if at_s < 600.0 else None)
    soak = two_configs(hours=1, world=world, checks_radio=True)
    outcome = in_fast_time(soak.run())
    assert outcome.outcome == "complete"
    assert min(soak.began_s) >= 600.0
    lost = [one for one in soak.events(SwitchTried) if one.why == WRONG.sentence]
    assert lost
    assert all(one.worked and one.back_s is None for one in lost)
    assert soak.notes.count("wrong_radio") == len(lost)


@dataclass
class Commands:
    """What a plan with a single AP config does."""

    by_command: bool
    switched: str
    applied: Sequence[str] = field(default_factory=list)


@pytest.mark.parametrize("case", [Commands(False, "kept", []), Commands(True, "command", ["auto"])], ids=repr)
def test_a_single_ap_config_has_one_turn_for_the_whole_night(case: Commands) -> None:
    soak = Soak(soak_plan(hours=1.2), by_command=case.by_command, make_switch=WorldSwitch)
    in_fast_time(soak.run())
    assert [turn.switched for turn in soak.kept.turns] == [case.switched]
    assert applied(soak) == case.applied
    assert soak.kept.turns[0].back_s == (pytest.approx(0.0) if case.by_command else None)
    assert {test.turn for test in soak.kept.tests} == {1}


def test_an_ap_config_without_a_command_is_never_measured_as_another() -> None:
    """The preflight refuses such a plan; the conductor must not mislabel it either."""
    soak = Soak(soak_plan(hours=0.5, ap_configs=BOTH))
    assert in_fast_time(soak.run()).tests == 0
    assert {one.why for one in soak.events(SwitchTried)} == {
        f"AP config {name!r} has no apply command in site.toml" for name in BOTH
    }


def test_patience_is_what_it_is_said_to_be() -> None:
    """ETSI EN 301 893 (channel availability check, from memory): 60 s, and 600 s for some channels."""
    assert SoakPatience().back_s > 600.0
