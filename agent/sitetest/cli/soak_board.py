"""What somebody who walks by at night should see of a soak, folded out of its happenings, and drawn.

Pure: ``after(board, happening, now)`` returns the next board. Nothing is written here (see ``soak_screen.py``). May
import visit.soak, store.records, plan, report, cli.soak_lines, rich and the standard library only.
"""

from dataclasses import dataclass, replace
from datetime import datetime

from rich.console import Group
from rich.text import Text

from sitetest.cli.soak_lines import dropouts_text, path_text, test_line
from sitetest.report.case_label import CaseLabel
from sitetest.report.local_time import day_and_time, time_of_day
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text
from sitetest.store.records import AttemptRecord
from sitetest.store.soak_events import OutageEnded
from sitetest.visit.soak import state as soak_state
from sitetest.visit.soak.events import Happened, SecondSeen, SlotStarted, SlotStored, SoakHappening, SoakStarted
from sitetest.visit.soak.state import Phase, SoakState

TESTS_SHOWN = 4

FULL_LABEL = CaseLabel()
"""Says everything, until the plan is known."""


@dataclass(frozen=True, slots=True)
class SoakBoard:
    """Facts for the screen. began: this part. testing: the case of the running test, in words; empty between tests.
    up_since: when the path answered again last, or first; None while it does not. tests: those kept last, the latest at
    the end."""

    state: SoakState
    began: datetime | None = None
    label: CaseLabel = FULL_LABEL
    testing: str = ""
    up_since: datetime | None = None
    tests: tuple[AttemptRecord, ...] = ()
    stop_asked: bool = False


def after(board: SoakBoard, happening: SoakHappening, now: datetime) -> SoakBoard:
    """Return the board after a happening."""
    board = replace(board, state=soak_state.after(board.state, happening, now))
    match happening:
        case SoakStarted():
            board = replace(board, began=now, label=CaseLabel.telling_apart(happening.plan.cases))
        case SlotStarted():
            board = replace(board, testing=" ".join(board.label.without_ap_config(happening.slot.case)))
        case SlotStored():
            board = replace(board, testing="", tests=(*board.tests, happening.record)[-TESTS_SHOWN:])
        case SecondSeen(up=True) if board.up_since is None and board.state.away_since is None:
            board = replace(board, up_since=now)
        case Happened(event=OutageEnded()):
            board = replace(board, up_since=now)
        case _:
            pass
    return replace(board, up_since=None) if board.state.away_since is not None or board.state.blind else board


def stopping(board: SoakBoard) -> SoakBoard:
    """Return the board after the first Ctrl-C."""
    return replace(board, stop_asked=True)


def soak_view(board: SoakBoard, now: datetime) -> Group:
    """Draw the board, in about 15 lines of 40 columns or more."""
    return Group(*_where(board, now), Text(), *_now(board, now), Text(), *_tests(board), *_concerns(board))


def _where(board: SoakBoard, now: datetime) -> list[Text]:
    state = board.state
    if board.began is None:
        return [_line("getting ready", "bold")]
    simulated = " (simulated)" if state.simulated else ""
    lines = [_line(f"{state.location}{simulated}, unattended", "bold")]
    since = f"since {day_and_time(board.began)}"
    if state.until is not None:
        left_s = (state.until - now).total_seconds()
        lines.append(_line(f"{since}, {count_text(state.rounds_begun, 'round')}"))
        lines.append(_line(f"until {day_and_time(state.until)}, {duration_text(left_s)} left"))
    else:
        lines.append(_line(f"{since}, round {state.rounds_due} of {state.rounds_wanted}"))
    return lines


def _now(board: SoakBoard, now: datetime) -> list[Text]:
    state = board.state
    turn = f", turn {state.turn}" if state.turn is not None and len(state.ap_configs) > 1 else ""
    lines = [_line(f"{state.ap_config}{turn}", "bold")] if state.ap_config else []
    lines.append(_line(_doing(board, now), "bold" if state.phase is Phase.PATH_AWAY else ""))
    if state.phase is not Phase.PATH_AWAY:
        since = f" since {time_of_day(board.up_since)}" if board.up_since is not None and state.up else ""
        lines.append(_line(path_text(state, now) + since))
    return lines


def _doing(board: SoakBoard, now: datetime) -> str:  # noqa: PLR0911 - one for each phase
    state = board.state
    match state.phase:
        case Phase.PATH_AWAY:
            return path_text(state, now).upper()
        case Phase.SWITCHING:
            return f"switching for {duration_text((now - state.since).total_seconds())}"
        case Phase.PAUSED if state.paused is not None:
            return f"no tests: {state.paused.why}"
        case Phase.TESTING:
            return f"testing {board.testing}".rstrip()
        case Phase.ENDED:
            return "finished here"
        case Phase.RESTING if state.next_round_at is not None:
            left_s = max(0.0, (state.next_round_at - now).total_seconds())
            return f"next round in {duration_text(left_s)}"
        case _:
            return "getting ready"


def _tests(board: SoakBoard) -> list[Text]:
    return [_line(f"{time_of_day(one.started_at)}  {test_line(board.label, one)}") for one in board.tests]


def _concerns(board: SoakBoard) -> list[Text]:
    state = board.state
    lines = [Text(), _line(dropouts_text(state))]
    others = [
        count_text(state.roams, "roam") if state.roams else "",
        count_text(state.channel_moves, "channel move") if state.channel_moves else "",
        count_text(sum(state.rounds_passed.values()), "round") + " passed" if state.rounds_passed else "",
        f"slept {count_text(state.sleeps.count, 'time')}" if state.sleeps.count else "",
    ]
    if any(others):
        lines.append(_line(", ".join(filter(None, others))))
    if state.awake is False and state.awake_why:
        lines.append(Text(printable(state.awake_why)))
    if board.stop_asked:
        lines.append(_line("stopping; Ctrl-C again to stop at once", "bold"))
    return lines


def _line(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style, no_wrap=True, overflow="ellipsis")
