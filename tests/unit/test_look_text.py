"""What a look says on screen: one line a comparison, whatever it found."""

import asyncio
from collections.abc import Sequence

from compared_visit import by_repeat, compared_plan
from visit_fakes import FakeOperator, Visit

from sitetest.cli.board import Board, after
from sitetest.cli.progress import LineScreen
from sitetest.plan.cases import Plan
from sitetest.report.case_label import CaseLabel
from sitetest.report.look_text import standing_line
from sitetest.report.planned_count import planned_count_text
from sitetest.visit.events import LookTaken, VisitStarted

TIGHT = (400.0, 404.0, 396.0, 402.0, 398.0, 401.0)
LOOSE_A = (360.0, 440.0, 395.0, 420.0, 372.0, 431.0, 388.0, 409.0, 365.0, 436.0, 399.0, 415.0)
LOOSE_B = (450.0, 378.0, 418.0, 402.0, 445.0, 383.0, 425.0, 396.0, 452.0, 381.0, 412.0, 404.0)
DOWNLOAD = ("download",)


def visit_with(a: Sequence[float], b: Sequence[float], plan: Plan | None = None) -> Visit:
    values = {("auto", "download"): a, ("wide80", "download"): b}
    visit = Visit(
        plan or compared_plan(directions=DOWNLOAD, comparison={"family": 6}), by_repeat(values), operator=FakeOperator()
    )
    asyncio.run(visit.run())
    return visit


def lines(visit: Visit) -> list[str]:
    label = CaseLabel.telling_apart(visit.plan.cases)
    return [
        standing_line(label, one.pair.a, one.pair.b, one.verdict, one.next_turns)
        for event in visit.heard(LookTaken)
        for one in event.standings
    ]


def test_what_is_decided_says_so_and_why_it_stops() -> None:
    (line,) = lines(visit_with(TIGHT, [1.25 * value for value in TIGHT]))
    assert line.startswith("download wide80 against auto: wide80 faster (+25.0 %, 95 % interval +")
    assert line.endswith("after 4 turns of each: not measured any more")
    (line,) = lines(visit_with([1.25 * value for value in TIGHT], TIGHT))
    assert "auto faster (-20.0 %" in line
    (line,) = lines(visit_with(TIGHT, TIGHT))
    assert line.startswith("download wide80 against auto: no practical difference (+0.0 %")


def test_what_is_open_says_when_it_is_looked_at_next_and_what_it_would_take() -> None:
    told = lines(visit_with(LOOSE_A, LOOSE_B))
    assert len(told) == 4
    assert told[0].startswith("download wide80 against auto: open, 4 turns of each (")
    assert "; next look at 6; to settle it: " in told[0]
    assert told[-1].startswith("download wide80 against auto: not enough evidence (")
    assert "after 10 turns of each, the most that this plan has; to settle it: " in told[-1]


def test_an_outlier_at_the_last_look_says_why_there_is_one_more_quad() -> None:
    told = lines(visit_with((*LOOSE_A[:4], 60.0, *LOOSE_A[5:]), LOOSE_B))
    assert "; next look at 12; an outlier earns one more quad" in told[-2]


def test_giving_up_says_so() -> None:
    plan = compared_plan(directions=DOWNLOAD, give_up_early=True)
    a, b = (200.0, 600.0, 350.0, 480.0, 230.0, 560.0), (590.0, 210.0, 490.0, 340.0, 570.0, 240.0)
    told = lines(visit_with(a, b, plan))
    assert "after 6 turns of each: given up, no verdict is within reach of this plan" in told[-1]
    assert told[-1].endswith("to settle it: more than 40, not practical at this spread")


def test_the_line_screen_shows_every_comparison_and_the_board_what_is_left() -> None:
    visit = visit_with(TIGHT, [1.25 * value for value in TIGHT])
    shown: list[str] = []
    screen = LineScreen(shown.append)
    board = Board()
    for event in visit.events:
        screen(event)
        board = after(board, event, 0.0)
        if isinstance(event, VisitStarted):
            assert (board.done, board.total) == (0, 20)
    assert (board.done, board.total, board.left_s) == (8, 8, 0)
    assert [line for line in shown if line in lines(visit)] == lines(visit)
    assert shown[0].startswith("basement: 8 to 20 measurements, about ")
    assert any(line.startswith("turn 8 of 20: ") for line in shown)


def test_how_many_measurements_is_one_number_where_nothing_can_be_saved() -> None:
    assert planned_count_text(compared_plan(directions=DOWNLOAD)) == "8 to 20 measurements"
    assert planned_count_text(compared_plan(directions=DOWNLOAD, minimum=6, maximum=6)) == "12 measurements"
    assert planned_count_text(compared_plan(configs=1, directions=DOWNLOAD)) == "4 measurements"
    assert planned_count_text(compared_plan(directions=DOWNLOAD, minimum=1, maximum=2)) == "4 measurements"
