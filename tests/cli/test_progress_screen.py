"""The live screen and the plain lines, rendered to a recorded console with a fake clock: no terminal, no waiting."""

import io
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from bookshop_visit import attempt, bookshop_plan, failed, outlier, samples_at, stored, until_transfer
from rich.cells import cell_len
from rich.console import Console
from seen_links import seen_link

from sitetest.cli.board import Board, after, stopping
from sitetest.cli.progress import LineScreen, LiveScreen, board_view, screen_on
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.reasons import Reason
from sitetest.store.records import Flag
from sitetest.visit.events import (
    AttemptFlagged,
    Event,
    LinkSeen,
    Noted,
    PathBack,
    PathLost,
    ServerQueue,
    SwitchStarted,
    TransferStarted,
    VisitEnded,
)

WIDTHS = (40, 80, 120)
ESCAPE = "\x1b"
HOSTILE_NAMES = (
    "[kitchen]",
    "[bold red]attic[/]",
    "<script>alert(1)</script>",
    "مكتبة الميناء",
    "\u202egnitaef\u202c",
    "x" * 64,
    "書" * 64,
    "clear\x1b[2Jscreen",
    "two\nlines",
    "emoji :boom: name",
)


def board_of(events: Iterable[Event], now_s: float = 0.0) -> Board:
    board = Board()
    for event in events:
        board = after(board, event, now_s)
    return board


def drawn(board: Board, width: int, now_s: float = 0.0) -> str:
    console = Console(file=io.StringIO(), width=width, force_terminal=False, _environ={})
    console.print(board_view(board, now_s, console))
    output = console.file
    assert isinstance(output, io.StringIO)
    return output.getvalue()


@pytest.mark.parametrize("width", WIDTHS)
def test_a_running_transfer_shows_where_what_how_fast_and_how_long(width: int) -> None:
    plan = bookshop_plan()
    slot = plan.slots[2]
    text = drawn(board_of([*until_transfer(plan, slot), *samples_at(slot, 412.0, 12.0)]), width)
    for fact in ("basement", "3 of 8", "about 9 min left", "wide80", "download", "Mbit/s now, 12 of 33 s"):
        assert fact in text


def test_the_live_figure_is_the_mean_over_the_last_second() -> None:
    plan = bookshop_plan()
    slot = plan.slots[0]
    fast = [*until_transfer(plan, slot), *samples_at(slot, 400.0, 5.0)]
    assert board_of(fast).rate_mbps == pytest.approx(400.0)
    board = board_of([*fast, TransferStarted(slot), *samples_at(slot, 50.0, 5.0)])
    assert board.rate_mbps == pytest.approx(50.0)


def test_time_left_counts_down_between_events_and_stops_at_nothing() -> None:
    plan = bookshop_plan()
    board = board_of(until_transfer(plan, plan.slots[0], left_s=540.0), now_s=100.0)
    assert board.left_now_s(160.0) == pytest.approx(480.0)
    assert board.left_now_s(10_000.0) == 0.0
    assert "about 8 min left" in drawn(board, 80, now_s=160.0)


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=range(len(HOSTILE_NAMES)))
@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_the_screen_and_no_name_acts_on_it(name: str, width: int) -> None:
    plan = bookshop_plan(location=name, ap_configs=(name, "wide80"))
    slot = plan.slots[0]
    events = [
        *until_transfer(plan, slot, simulated="paced"),
        stored(plan, failed(slot, reason=name), slot, next_step=f"measured again {name}"),
        *until_transfer(plan, slot)[2:],
        *samples_at(slot, 1234.5, 3.0),
    ]
    text = drawn(board_of(events), width)
    assert ESCAPE not in text
    assert "\u202e" not in text
    lines = text.splitlines()
    assert max(cell_len(line) for line in lines) <= width
    assert len(lines) <= 23  # a terminal is 24 lines high
    assert name[:7].split("\x1b", maxsplit=1)[0].split("\n", maxsplit=1)[0].strip("\u202e") in text


def test_square_brackets_in_names_are_text() -> None:
    plan = bookshop_plan(location="[kitchen]")
    assert "[kitchen]" in drawn(board_of(until_transfer(plan, plan.slots[0])), 80)


def test_the_place_in_the_servers_queue_is_shown() -> None:
    plan = bookshop_plan()
    board = board_of([*until_transfer(plan, plan.slots[0])[:3], ServerQueue(2, 75.0, "laptop-b")])
    text = " ".join(drawn(board, 40).split())
    assert "laptop-b is measuring, we are number 2 in the queue, at most 2 min" in text


def test_a_lost_path_is_shown_with_the_wait_that_is_left_and_goes_when_it_is_back() -> None:
    plan = bookshop_plan()
    reason = "server_gone: the gateway answers, the server's host does not; the engine saw: [Errno 104] and so on"
    lost = board_of([*until_transfer(plan, plan.slots[0]), PathLost(reason, 300.0)], now_s=0.0)
    assert "PATH LOST" in drawn(lost, 40)
    assert "the gateway answers, the server's host does not" in " ".join(drawn(lost, 40).split())
    assert "Errno" not in drawn(lost, 40)
    assert "at most 4 min more" in " ".join(drawn(lost, 40, now_s=60.0).split())
    assert "PATH LOST" not in drawn(after(lost, PathBack(60.0), 60.0), 40)


def test_a_server_that_alone_is_gone_is_not_called_a_lost_path() -> None:
    plan = bookshop_plan()
    lost = PathLost("server_gone: the server's host answers, the test server does not", 300.0, host_answers=True)
    text = drawn(board_of([*until_transfer(plan, plan.slots[0]), lost]), 40)
    assert "SERVER LOST" in text
    assert "PATH" not in text
    lines: list[str] = []
    with LineScreen(lines.append) as screen:
        screen(lost)
    assert lines[0].startswith("server lost, its machine answers: ")


@pytest.mark.parametrize("width", WIDTHS)
def test_the_link_stands_beside_the_throughput(width: int) -> None:
    plan = bookshop_plan()
    slot = plan.slots[0]
    board = board_of([*until_transfer(plan, slot), *samples_at(slot, 412.0, 12.0), LinkSeen(seen_link())])
    text = drawn(board, width)
    assert "5 GHz channel 36, 80 MHz, HE, -52 dBm, rate 1201 down 961 up" in " ".join(text.split())
    assert max(cell_len(line) for line in text.splitlines()) <= width
    board = after(board, LinkSeen(NoReader(Reason.NOT_WIFI).sample("eth0", 0.0)), 0.0)
    assert "link not read: the interface is not a Wi-Fi interface" in " ".join(drawn(board, width).split())


def test_what_the_last_attempt_gave_stays_until_the_next_one_runs() -> None:
    plan = bookshop_plan()
    first, second = plan.slots[0], plan.slots[1]
    record = attempt(first, rtt_idle_ms=3.14, rtt_loaded_p50_ms=24.0, rtt_loaded_p95_ms=60.4)
    flagged = replace(record, flags=(Flag("roamed", "went elsewhere", "doubt"),))
    events = [*until_transfer(plan, first), stored(plan, flagged, first), until_transfer(plan, second)[2]]
    text = " ".join(drawn(board_of(events), 40).split())
    assert "last: 412.3 Mbit/s, round trip 3.1 ms idle, 24 ms loaded (95 %: 60 ms)" in text
    assert "flagged roamed" in text
    assert "last:" not in drawn(board_of([*events, *samples_at(second, 400.0, 1.0)]), 40)


def test_plain_lines_say_link_and_round_trips_of_each_attempt_and_what_cannot_be_told_once() -> None:
    plan = bookshop_plan()
    lines: list[str] = []
    beside: dict[str, Any] = {"band": "5", "channel": 36, "width_mhz": 80, "rssi_dbm": -52.4, "rx_rate_mbps": 960.7}
    with LineScreen(lines.append) as screen:
        for slot in plan.slots[:2]:
            screen(LinkSeen(seen_link()))
            screen(stored(plan, attempt(slot, rtt_idle_ms=0.31, unknown=("roamed", "scanned"), **beside), slot))
        last = plan.slots[2]
        screen(stored(plan, attempt(last, unknown=("roamed", "saver")), last))
    link = "    5 GHz channel 36, 80 MHz, -52 dBm, rate 961 down"
    assert lines == [
        "1/8 auto download lan http: 412.3 Mbit/s, round trip 0.31 ms idle",
        link,
        "note: flags that cannot be told here: roamed, scanned",
        "2/8 auto upload lan http: 412.3 Mbit/s, round trip 0.31 ms idle",
        link,
        "3/8 wide80 download lan http: 412.3 Mbit/s",
        "note: flags that cannot be told here: saver",
    ]


def test_plain_lines_say_once_a_visit_why_there_is_no_link() -> None:
    plan = bookshop_plan()
    lines: list[str] = []
    blocked = NoReader(Reason.NETLINK_BLOCKED).sample("wlan0", 0.0)
    with LineScreen(lines.append) as screen:
        for slot in plan.slots[:3]:
            screen(LinkSeen(blocked))
            screen(stored(plan, attempt(slot), slot))
    assert [line for line in lines if "link" in line] == [
        "note: link not read: this program may not talk to the kernel (a sandbox or container forbids netlink)"
    ]


def test_what_will_be_repeated_is_shown_until_it_is_settled() -> None:
    plan = bookshop_plan()
    slot = plan.slots[0]
    board = board_of([*until_transfer(plan, slot), stored(plan, failed(slot), slot, "is tried again")])
    assert "auto download is tried again" in drawn(board, 80)
    assert "1 attempt failed or flagged so far" in drawn(board, 80)
    board = after(board, stored(plan, attempt(slot), slot), 0.0)
    assert "is tried again" not in drawn(board, 80)
    assert "1 attempt failed or flagged so far" in drawn(board, 80)


def test_a_flag_that_comes_later_is_counted_once_for_each_attempt() -> None:
    plan = bookshop_plan()
    record = outlier(plan.slots[0], 40.0)
    flagged = AttemptFlagged(record, record.flags[0])
    board = board_of([*until_transfer(plan, plan.slots[0]), flagged, flagged])
    assert "1 attempt failed or flagged so far" in drawn(board, 80)


def test_the_first_ctrl_c_stays_on_screen() -> None:
    plan = bookshop_plan()
    board = stopping(board_of(until_transfer(plan, plan.slots[0])))
    board = board_of([], 0.0) if board.plan is None else after(board, TransferStarted(plan.slots[0]), 0.0)
    assert "stopping" in drawn(board, 40)


def test_without_block_characters_the_figures_are_still_there() -> None:
    plan = bookshop_plan()
    slot = plan.slots[0]
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="latin-1")
    console = Console(file=stream, width=80, _environ={})
    console.print(board_view(board_of([*until_transfer(plan, slot), *samples_at(slot, 111.0, 3.0)]), 0.0, console))
    stream.flush()
    assert b"##" in raw.getvalue()


def terminal(width: int = 80) -> tuple[Console, io.StringIO]:
    output = io.StringIO()
    return Console(file=output, width=width, height=24, force_terminal=True, _environ={"TERM": "xterm"}), output


def test_the_bell_rings_when_the_person_must_act_or_may_move_on_and_at_nothing_else() -> None:
    plan = bookshop_plan()
    console, output = terminal()
    with LiveScreen(console, lambda: 0.0) as screen:
        for event in [*until_transfer(plan, plan.slots[0]), SwitchStarted(plan.turns[1], "command")]:
            screen(event)
        assert output.getvalue().count("\a") == 0
        screen(SwitchStarted(plan.turns[1], "operator"))
        assert output.getvalue().count("\a") == 1
        screen(VisitEnded("visit-1", "complete", 8, 0, 0))
        assert output.getvalue().count("\a") == 2


def test_the_cursor_is_given_back_even_when_the_run_breaks() -> None:
    console, output = terminal()

    def broken_run() -> None:
        with LiveScreen(console, lambda: 0.0):
            raise RuntimeError("broken")

    with pytest.raises(RuntimeError):
        broken_run()
    text = output.getvalue()
    assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l")


def test_a_question_has_the_terminal_to_itself() -> None:
    console, output = terminal()
    with LiveScreen(console, lambda: 0.0) as screen, screen.paused():
        text = output.getvalue()
        assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l")
    assert output.getvalue().count("\x1b[?25l") == 2


def test_a_console_that_is_no_terminal_gets_plain_lines() -> None:
    assert isinstance(screen_on(Console(file=io.StringIO(), _environ={}), lambda: 0.0), LineScreen)
    dumb = Console(file=io.StringIO(), force_terminal=True, _environ={"TERM": "dumb"})
    assert isinstance(screen_on(dumb, lambda: 0.0), LineScreen)
    assert isinstance(screen_on(terminal()[0], lambda: 0.0), LiveScreen)


def test_plain_lines_say_each_attempt_and_each_thing_worth_knowing_once() -> None:
    plan = bookshop_plan()
    first, second = plan.slots[0], plan.slots[1]
    lines: list[str] = []
    queue = ServerQueue(1, 40.0, "laptop-b")
    with LineScreen(lines.append) as screen:
        for event in [
            *until_transfer(plan, first, simulated="paced by the server"),
            queue,
            queue,
            *samples_at(first, 400.0, 1.0),
            stored(plan, attempt(first), first),
            stored(plan, failed(second), second, "measured once more"),
            PathLost("the server does not answer", 300.0),
            PathBack(12.0),
            Noted("association", "this system cannot be asked for a fresh association"),
            VisitEnded("visit-1", "complete", 2, 0, 0),
        ]:
            screen(event)
    assert lines == [
        "basement (simulated): 8 measurements, about 9 min",
        "turn 1 of 4: auto (same network, not asked for again)",
        "waiting for the server: laptop-b is measuring, we are next, at most 40 s",
        "1/8 auto download: 412.3 Mbit/s",
        "2/8 auto upload: failed: link lost: no byte arrived for 10 s - measured once more",
        "path to the server lost: the server does not answer; waiting, at most 5 min more",
        "path to the server is back after 12 s",
        "note: this system cannot be asked for a fresh association",
    ]


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=range(len(HOSTILE_NAMES)))
def test_a_plain_line_is_one_line_without_control_characters(name: str) -> None:
    plan = bookshop_plan(location=name, ap_configs=(name, "wide80"))
    output = io.StringIO()
    screen = screen_on(Console(file=output, width=40, _environ={}), lambda: 0.0)
    screen(until_transfer(plan, plan.slots[0])[0])
    screen(stored(plan, failed(plan.slots[0], name), plan.slots[0]))
    text = output.getvalue()
    assert text.count("\n") == 2
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", text) is None


def test_a_plain_line_says_the_flags_but_not_again_that_all_is_simulated() -> None:
    plan = bookshop_plan()
    slot = plan.slots[0]
    lines: list[str] = []
    far = outlier(slot, 40.0)
    paced = Flag("simulated", "paced", "note")
    with LineScreen(lines.append) as screen:
        screen(until_transfer(plan, slot)[0])
        screen(stored(plan, replace(far, flags=(paced, *far.flags)), slot))
    assert lines[1:] == ["1/8 auto download: 40.0 Mbit/s (outlier: far below the other turns of this case)"]
