"""What somebody sees of a soak at night, and the log that stays: invented nights, a clock of the test's own."""

import io
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from bookshop_visit import attempt, failed
from rich.cells import cell_len
from rich.console import Console
from soak_happenings import (
    EVENING,
    SLOT,
    a_round,
    a_second,
    a_soak_plan,
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

from sitetest.cli.soak_board import SoakBoard, after, soak_view, stopping
from sitetest.cli.soak_lines import MOST_OF_A_KIND, SoakLines
from sitetest.cli.soak_screen import LineSoakScreen, LiveSoakScreen, soak_screen_on
from sitetest.report.local_time import day_and_time, time_of_day
from sitetest.store.soak_events import (
    Cause,
    ChannelMoved,
    MeasuringPaused,
    MeasuringResumed,
    Roamed,
    RoundPassed,
    Slept,
    SwitchTried,
    WatchBlind,
)
from sitetest.visit.events import Noted
from sitetest.visit.soak.events import Resting, SlotStarted, SoakEnded, SoakHappening, SoakStarted
from sitetest.visit.soak.state import SoakState

WIDTHS = (40, 80, 120)
HOSTILE_NAMES = ("[bold red]attic[/]", "مكتبة الميناء", "\u202egnitaef", "書" * 64, "clear\x1b[2Jscreen", "two\nlines")


def board_of(happenings: Iterable[SoakHappening], now: datetime = EVENING) -> SoakBoard:
    board = SoakBoard(SoakState(since=now))
    for happening in happenings:
        board = after(board, happening, now)
    return board


def drawn(board: SoakBoard, width: int = 80, now: datetime = EVENING) -> str:
    output = io.StringIO()
    Console(file=output, width=width, force_terminal=False, _environ={}).print(soak_view(board, now))
    return output.getvalue()


NIGHT: list[SoakHappening] = [started(), part(), switching(), turned(), a_second(), a_round()]


# --- the board ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", WIDTHS)
def test_the_board_says_since_when_until_when_what_and_how(width: int) -> None:
    board = board_of([*NIGHT, kept(attempt(SLOT, 512.3)), kept(failed(SLOT)), Resting(54.0)])
    text = drawn(board, width)
    assert max(cell_len(line) for line in text.splitlines()) <= width
    for fact in (
        "basement, unattended",
        f"since {day_and_time(EVENING)}, 1 round",
        f"until {day_and_time(at(570))}, 9 h 30 min left",
        "auto, turn 1",
        "next round in 54 s",
        "auto download: 512.3 Mbit/s",
        "auto download: failed: ",
        "no dropout",
    ):
        assert fact in text
    assert f"path up since {time_of_day(EVENING)}" in text


def test_the_next_round_is_counted_down() -> None:
    board = board_of([*NIGHT, Resting(54.0)])
    assert "next round in 14 s" in drawn(board, now=at(40 / 60))
    assert "next round in 0 s" in drawn(board, now=at(10))


def test_a_running_test_is_named() -> None:
    assert "testing download" in drawn(board_of([*NIGHT, SlotStarted(SLOT)]))


def test_a_path_that_is_away_stands_large_with_its_time_until_it_is_back() -> None:
    board = board_of([*NIGHT, away(0)])
    assert f"PATH AWAY SINCE {time_of_day(EVENING)} (12 S)" in drawn(board, now=at(0.2))
    board = after(board, back(0, 14.0), at(1))
    text = drawn(board, now=at(2))
    assert "AWAY" not in text
    board = after(board, a_second(), at(1))
    assert f"path up since {time_of_day(at(1))}" in drawn(board, now=at(2))
    assert f"1 dropout, 14 s in all, the last {time_of_day(EVENING)} for 14.0 s" in drawn(board, now=at(2))


def test_an_outage_of_the_server_is_no_dropout() -> None:
    assert "no dropout" in drawn(board_of([*NIGHT, away(0), back(0, 40.0, Cause.SERVER)]))


def test_a_switch_is_not_an_absence() -> None:
    text = drawn(board_of([*NIGHT, switching(2, "wide80"), a_second(up=False, answered=0)]), now=at(1.5))
    assert "wide80, turn 2" in text
    assert "switching for 2 min" in text
    assert "AWAY" not in text


def test_nobody_to_ask_and_a_pause_are_told_with_their_reason() -> None:
    blind = happened(WatchBlind(blind=True, why="the server offers no reflector"))
    assert "path not watched: the server offers no reflector" in drawn(board_of([*NIGHT, blind]))
    paused = happened(MeasuringPaused("disk_full", "the disk is full"))
    assert "no tests: the disk is full" in drawn(board_of([*NIGHT, paused]))


def test_only_the_last_tests_stay_on_the_board() -> None:
    board = board_of([*NIGHT, *(kept(attempt(SLOT, 100.0 + number)) for number in range(9))])
    assert [f"{100 + number}.0" in drawn(board) for number in range(9)] == [False] * 5 + [True] * 4


def test_rounds_are_counted_where_no_time_ends_it() -> None:
    plan = replace(a_soak_plan(), until=None, rounds=100)
    text = drawn(board_of([SoakStarted("visit-1", plan, 30, None), a_round(31)]))
    assert "round 31 of 100" in text
    assert "until" not in text


def test_that_sleep_is_not_held_off_and_that_somebody_stopped_it_is_on_the_board() -> None:
    board = stopping(board_of([started(), part(awake=False)]))
    assert "as it was found" in drawn(board)
    assert "stopping; Ctrl-C again to stop at once" in drawn(board)


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=range(len(HOSTILE_NAMES)))
@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_the_screen_and_no_name_acts_on_it(name: str, width: int) -> None:
    plan = replace(a_soak_plan(ap_configs=(name, "wide80")), location=name)
    noted = happened(WatchBlind(blind=True, why=name))
    board = board_of([started(plan=plan), switching(1, name), a_round(1, 1, name), kept(failed(SLOT, name)), noted])
    text = drawn(board, width)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert max(cell_len(line) for line in text.splitlines()) <= width
    assert len(text.splitlines()) < 24


# --- the log --------------------------------------------------------------------------------------------------------


def logged(happenings: Iterable[tuple[float, SoakHappening]]) -> list[str]:
    """Return the lines of happenings, each at its minute, without their times."""
    lines: list[str] = []
    now = [EVENING]
    with LineSoakScreen(lines.append, lambda: now[0]) as screen:
        for minutes, happening in happenings:
            now[0] = at(minutes)
            screen(happening)
    assert all(line[:8].count(":") == 2 and line[8:10] == "  " for line in lines)
    return [line[10:] for line in lines]


def test_the_log_has_a_line_for_each_thing_worth_knowing() -> None:
    away_at, back_at = time_of_day(at(5)), time_of_day(at(9))
    lines = logged(
        [
            (0, started(resumed=3)),
            (0, part()),
            (0, switching()),
            (0, turned()),
            (1, a_round()),
            (1, kept(attempt(SLOT))),
            (1, kept(failed(SLOT))),
            (5, away(5)),
            (6, back(5, 61.25)),
            (9, back(9, 1.5, Cause.SLEEP)),
            (10, happened(Roamed("ap-1", None))),
            (11, happened(ChannelMoved(36, 80, 100, None))),
            (12, happened(Slept(700.0, stall=False))),
            (
                13,
                happened(SwitchTried(2, "wide80", 1, worked=False, command_s=1, output="", back_s=None, why="refused")),
            ),
            (14, happened(SwitchTried(2, "wide80", 2, worked=True, command_s=1, output="", back_s=9.0, why=""))),
            (15, happened(MeasuringPaused("disk_full", "the disk is full"))),
            (16, happened(MeasuringResumed("disk_full", 60.0))),
            (17, happened(WatchBlind(blind=True, why="no reflector"))),
            (18, Noted("wrong_radio", "on another channel")),
            (19, SoakEnded("visit-1", "complete", 2, 4)),
        ]
    )
    assert lines == [
        f"basement: soak until {day_and_time(at(570))}, a round every 300 s, going on after 3 rounds",
        "as it was found",
        "turn 1: switching to AP config auto",
        "turn 1: auto, back after 4.0 s",
        "auto download: failed: link lost: no byte arrived for 10 s",
        f"path away since {away_at}",
        f"path back; away for 61.2 s since {away_at}, dropout: nothing answered",
        f"path back; away for 1.5 s since {back_at}, not a dropout of the Wi-Fi: nothing answered",
        "roamed from ap-1 to another",
        "the access point moved from channel 36, 80 MHz to channel 100",
        "the laptop slept for 12 min: not a dropout",
        "AP config wide80 could not be applied (try 1): refused",
        "no tests for now: the disk is full",
        "tests again after 1 min",
        "the path is not watched: no reflector",
        "note: on another channel",
        "over: 2 rounds, 4 tests in this part",
    ]


def test_a_night_in_which_all_goes_well_is_one_line_an_hour() -> None:
    """Eight hours, two tests every five minutes, a look at the path every minute."""
    night: list[tuple[float, SoakHappening]] = [(0, started()), (0, turned())]
    for number in range(96):
        minute = 5 * number
        night += [(minute, a_round(number + 1)), (minute, kept(attempt(SLOT, 400.0 + number)))]
        night += [(minute + beat, a_second()) for beat in range(5)]
    lines = logged([*night, (480, a_second())])
    assert len(lines) == 2 + 8
    assert lines[2] == "13 rounds, 12 tests; auto download 411.0 Mbit/s; path up; no dropout"
    assert lines[-1].startswith("96 rounds, 96 tests; ")


def test_rounds_that_pass_in_a_row_are_one_line_and_one_when_there_are_tests_again() -> None:
    night: list[tuple[float, SoakHappening]] = [(0, started()), (0, away(0))]
    night += [(2 * n, happened(RoundPassed(n, "path_away"))) for n in range(1, 20)]
    lines = logged([*night, (40, back(0, 2400.0)), (41, a_round(20)), (42, a_round(21))])
    assert lines[2] == "round 1 passes without tests: the path is away"
    assert lines[4:] == ["tests again; 19 rounds passed without"]


def test_a_round_that_passes_at_a_switch_has_no_line_of_its_own() -> None:
    passed = happened(RoundPassed(7, "switching"))
    night: list[tuple[float, SoakHappening]] = [(0, started()), (1, switching()), (1, passed), (2, turned())]
    assert [line.split()[0] for line in logged([*night, (3, a_round(8))])[1:]] == ["turn", "turn"]


def test_what_comes_without_end_is_counted_instead() -> None:
    night: list[tuple[float, SoakHappening]] = [
        (0, started()),
        *((1 + n / 60, happened(Roamed("ap-1", "ap-2"))) for n in range(1000)),
    ]
    lines = logged([*night, (60, a_second()), (61, happened(Roamed("ap-2", "ap-1")))])
    assert lines.count("roamed from ap-1 to ap-2") == MOST_OF_A_KIND
    assert lines[-2].endswith(f"({1000 - MOST_OF_A_KIND} more: roams)")
    assert lines[-1] == "roamed from ap-2 to ap-1"


def test_a_heartbeat_says_what_is_wrong_at_that_time() -> None:
    lines = logged([(0, started()), (1, kept(failed(SLOT))), (30, away(30)), (60, a_second(up=False, answered=0))])
    assert lines[-1] == (
        f"0 rounds, 1 test (1 without a result); path away since {time_of_day(at(30))} (30 min); no dropout"
    )


def test_a_heartbeat_is_not_due_before_the_soak_has_begun() -> None:
    lines = SoakLines()
    assert lines.heartbeat(SoakState(since=EVENING), EVENING + timedelta(hours=5)) == ""


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=range(len(HOSTILE_NAMES)))
def test_a_line_of_the_log_is_one_line_without_control_characters(name: str) -> None:
    output = io.StringIO()
    screen = soak_screen_on(Console(file=output, width=40, _environ={}), lambda: EVENING)
    screen(started(plan=replace(a_soak_plan(), location=name)))
    screen(kept(failed(SLOT, name)))
    text = output.getvalue()
    assert text.count("\n") == 2
    assert not [mark for mark in text.replace("\n", "") if not mark.isprintable() and mark != "\ufffd"]


# --- the terminal ---------------------------------------------------------------------------------------------------


def terminal() -> tuple[Console, io.StringIO]:
    output = io.StringIO()
    return Console(file=output, width=80, height=24, force_terminal=True, _environ={"TERM": "xterm"}), output


def test_a_terminal_has_the_board_and_what_happened_above_it() -> None:
    console, output = terminal()
    with LiveSoakScreen(console, lambda: EVENING) as screen:
        for happening in [*NIGHT, away(0)]:
            screen(happening)
        screen.stop_asked()
        screen.say("stopping")
    text = output.getvalue()
    assert f"path away since {time_of_day(EVENING)}" in text
    assert "basement, unattended" in text
    assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l"), "the cursor is given back"


def test_a_console_that_is_no_terminal_gets_plain_lines() -> None:
    assert isinstance(soak_screen_on(Console(file=io.StringIO(), _environ={}), lambda: EVENING), LineSoakScreen)
    assert isinstance(soak_screen_on(terminal()[0], lambda: EVENING), LiveSoakScreen)
