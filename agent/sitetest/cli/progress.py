"""Progress of a visit on stderr, for someone who holds the laptop in one arm and looks up now and then.

On a terminal: few large facts that are redrawn in place. Anywhere else: one plain line an attempt and one for each
thing worth knowing, no escape codes. Both subscribe to the visit's events; neither can slow it down or stop it.

Console and clock are passed in. Text that others wrote is never read as markup and moves no cursor.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from sitetest.cli.big_figures import big_figures
from sitetest.cli.board import Board, Phase, after, stopping
from sitetest.cli.link_sample_words import link_text, unread_text
from sitetest.report.advice import SIMULATED
from sitetest.report.attempt_words import link_words_of, round_trip_words_of
from sitetest.report.planned_count import planned_count_text
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text, rate_text
from sitetest.store.records import Purpose, Status
from sitetest.visit.events import (
    AttemptFlagged,
    AttemptStored,
    Event,
    LinkSeen,
    LookTaken,
    Noted,
    PathBack,
    PathLost,
    ServerQueue,
    SwitchStarted,
    TurnStarted,
    VisitEnded,
    VisitStarted,
)

REDRAWS_PER_S = 4.0
ASSOCIATIONS = {
    "fresh": "fresh association",
    "operator": "fresh association by hand",
    "not_wifi": "not over Wi-Fi",
    "not_possible": "association kept: this system cannot be asked for a fresh one",
}
"""The words of `visit/association.py` as a person reads them."""

SHOWN_REPEATS = 2
"""Cases named under "will be measured again"; the rest is a count."""


class Screen(Protocol):
    """What shows a visit. Entered before the first event, left after the last one."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def __call__(self, event: Event) -> None:
        """Take note of an event."""

    def paused(self) -> AbstractContextManager[None]:
        """Return a context manager inside which the terminal belongs to somebody else, such as a question."""

    def stop_asked(self) -> None:
        """Take note that the person wants to stop."""

    def say(self, text: str) -> None:
        """Show one message now."""


def screen_on(console: Console, clock_s: Callable[[], float]) -> Screen:
    """Return the screen that suits a console; ``clock_s`` gives seconds that never go back."""
    if console.is_terminal and not console.is_dumb_terminal:
        return LiveScreen(console, clock_s)
    return LineScreen(lambda line: console.print(Text(line), soft_wrap=True))


class LiveScreen:
    """Redraws a few large facts in place on a terminal; rings its bell when the person is needed or may move on."""

    def __init__(self, console: Console, clock_s: Callable[[], float]) -> None:
        self._console = console
        self._clock_s = clock_s
        self._board = Board()
        self._told_association = False
        self._live = self._new_live()

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def __call__(self, event: Event) -> None:
        self._board = after(self._board, event, self._clock_s())
        if isinstance(event, VisitEnded) or (isinstance(event, SwitchStarted) and event.by == "operator"):
            self._console.bell()
        if isinstance(event, Noted):
            self.say(f"note: {event.text}")
        if isinstance(event, LookTaken):
            self.say("\n".join(look_lines(self._board, event)))
        if isinstance(event, TurnStarted) and event.association == "not_possible" and not self._told_association:
            self._told_association = True
            self.say(f"note: {ASSOCIATIONS[event.association]}")

    @contextmanager
    def paused(self) -> Iterator[None]:
        self._live.stop()
        try:
            yield
        finally:
            self._live = self._new_live()
            self._live.start()

    def stop_asked(self) -> None:
        self._board = stopping(self._board)

    def say(self, text: str) -> None:
        self._console.print(Text(printable(text)))

    def _new_live(self) -> Live:
        return Live(
            get_renderable=lambda: board_view(self._board, self._clock_s(), self._console),
            console=self._console,
            refresh_per_second=REDRAWS_PER_S,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )


class LineScreen:
    """Writes plain lines through ``write``, which takes one line without its end."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._board = Board()
        self._told_queue: tuple[int, str | None] | None = None
        self._unread = ""
        self._told_once: set[str] = set()
        self._told_unknown: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def __call__(self, event: Event) -> None:
        if isinstance(event, LinkSeen):
            self._unread = "" if link_text(event.sample) else unread_text(event.sample)
        self._board = after(self._board, event, 0.0)
        line = self._line(event)
        if line:
            self.say(line)
        if isinstance(event, AttemptStored):
            self._say_beside(event)
        if isinstance(event, LookTaken):
            for told in look_lines(self._board, event):
                self.say(told)

    def _say_beside(self, event: AttemptStored) -> None:
        """Say the link of an attempt; and once a visit why there is none, and what cannot be told here."""
        link = link_words_of(event.record)
        if link:
            self.say(f"    {link}")
        elif self._unread:
            self._say_once(f"link not read: {self._unread}")
        new = [name for name in event.record.unknown if name not in self._told_unknown]
        if new:
            self._told_unknown.update(new)
            self.say(f"note: flags that cannot be told here: {', '.join(new)}")

    def _say_once(self, text: str) -> None:
        if text not in self._told_once:
            self._told_once.add(text)
            self.say(f"note: {text}")

    @contextmanager
    def paused(self) -> Iterator[None]:
        yield

    def stop_asked(self) -> None:
        self._board = stopping(self._board)

    def say(self, text: str) -> None:
        self._write(printable(text))

    def _line(self, event: Event) -> str:  # noqa: PLR0911 - one line for each kind of event
        match event:
            case VisitStarted():
                return started_line(event)
            case SwitchStarted() if event.by == "command":
                return f"switching to AP config {event.turn.ap_config} by its command"
            case TurnStarted():
                return turn_line(self._board, event)
            case ServerQueue():
                told, self._told_queue = self._told_queue, (event.place, event.held_by)
                return "" if told == self._told_queue else queue_line(event)
            case AttemptStored():
                self._told_queue = None
                return stored_line(self._board, event)
            case AttemptFlagged():
                return f"{self._board.label.of(event.record)}: flagged {event.flag.name}: {event.flag.reason}"
            case PathLost():
                return lost_line(event, event.give_up_s)
            case PathBack():
                return f"path to the server is back after {duration_text(event.away_s)}"
            case Noted():
                return f"note: {event.text}"
            case _:
                return ""


def started_line(event: VisitStarted) -> str:
    """Say what a visit is going to do."""
    plan = event.plan
    simulated = " (simulated)" if event.simulated else ""
    resumed = f", {event.resumed} of them done before" if event.resumed else ""
    return f"{plan.location}{simulated}: {planned_count_text(plan)}{resumed}, about {duration_text(event.left_s)}"


def turn_line(board: Board, event: TurnStarted) -> str:
    """Say which AP config is measured from now on."""
    planned = len(board.plan.first(board.plan.maximum_turns).turns) if board.plan else 0
    number = event.turn.number
    turn = f"turn {number} of {planned}" if number <= planned else "one more turn"
    return f"{turn}: {event.turn.ap_config} ({ASSOCIATIONS.get(event.association, event.association)})"


def queue_line(event: ServerQueue) -> str:
    """Say whose turn it is at the server, and ours."""
    holder = f"{event.held_by} is measuring" if event.held_by else "another agent is measuring"
    place = "we are next" if event.place <= 1 else f"we are number {event.place} in the queue"
    return f"waiting for the server: {holder}, {place}, at most {duration_text(event.wait_s)}"


def look_lines(board: Board, event: LookTaken) -> list[str]:
    """Say where each comparison stands after a look, one line each."""
    from sitetest.report.look_text import standing_line  # with the statistics, which load slowly

    return [standing_line(board.label, one.pair.a, one.pair.b, one.verdict, one.next_turns) for one in event.standings]


def lost_line(event: PathLost, left_s: float) -> str:
    """Say that the server cannot be reached, and how much longer the visit waits for it."""
    what = "server lost, its machine answers" if event.host_answers else "path to the server lost"
    return f"{what}: {event.reason}; waiting, at most {duration_text(left_s)} more"


def seen_in(reason: str) -> str:
    """Return what was seen, without the code word in front and without what the engine itself said."""
    return reason.partition(": ")[2].partition("; the engine saw")[0] or reason


def stored_line(board: Board, event: AttemptStored) -> str:
    """Say what one attempt gave, what it is flagged with and what will be done."""
    record = event.record
    parts = [f"{event.done}/{event.total} {board.label.of(record)}:"]
    if record.throughput_mbps is not None and record.status == "ok":
        parts.append(f"{rate_text(record.throughput_mbps)} Mbit/s")
    else:
        parts.append(f"{record.status}: {record.reason}" if record.reason else f"{record.status}")
    round_trip = round_trip_words_of(record)
    if round_trip:
        parts[-1] += f", {round_trip}"
    seen = [f"{flag.name}: {flag.reason}" for flag in record.flags if flag.name != SIMULATED]
    if seen and record.status == "ok":  # otherwise the reason has said it
        parts.append(f"({'; '.join(seen)})")
    if event.next_step:
        parts.append(f"- {event.next_step}")
    return " ".join(parts)


def board_view(board: Board, now_s: float, console: Console) -> Group:
    """Draw the board for a console of 40 columns or more, in few lines: 19 unless names are very long."""
    ink = "█" if console.encoding.lower().startswith("utf") else "#"
    lines = [*_where(board, now_s, console.width), Text(), *_now(board, now_s, ink), *_concerns(board)]
    return Group(*lines)


def _where(board: Board, now_s: float, width: int) -> list[Text]:
    if board.plan is None:
        return [_one_line("getting ready", "bold")]
    place = printable(board.plan.location) + (" (simulated)" if board.simulated else "")
    facts = [f"{min(board.done + 1, board.total)} of {board.total}"]
    left_s = board.left_now_s(now_s)
    if left_s is not None:
        facts.append(f"about {duration_text(left_s)} left")
    right = ", ".join(facts)
    room = width - len(right) - 2
    line = _one_line(place, "bold")
    if line.cell_len <= room:
        line.append(" " * (width - line.cell_len - len(right)))
        line.append(right)
        return [line]
    return [line, _one_line(right)]


def _now(board: Board, now_s: float, ink: str) -> list[Text]:  # noqa: PLR0911 - one view for each phase
    match board.phase:
        case Phase.SWITCHING if board.turn is not None:
            return [_one_line("switch the AP config to", ""), _one_line(board.turn.ap_config, "bold")]
        case Phase.WAITING_FOR_SERVER if board.queue is not None:
            return [*_case(board), Text(printable(queue_line(board.queue)))]
        case Phase.PATH_LOST if board.lost is not None:
            left_s = max(0.0, board.lost.give_up_s - (now_s - board.lost_at_s))
            return [
                _one_line("SERVER LOST" if board.lost.host_answers else "PATH LOST", "bold"),
                Text(printable(seen_in(board.lost.reason))),
                Text(f"waiting, at most {duration_text(left_s)} more"),
            ]
        case Phase.MEASURING:
            return [*_case(board), Text(), *_figures(board, ink), *_link(board)]
        case Phase.ENDED:
            return [_one_line("finished here", "bold")]
        case _ if board.slot is not None:
            return [*_case(board), _one_line("getting ready", "dim"), *_last(board)]
        case _ if board.turn is not None:
            return [_one_line(board.turn.ap_config, "bold"), _one_line("getting ready", "dim")]
        case _:
            return []


def _case(board: Board) -> list[Text]:
    slot = board.slot
    if slot is None:
        return []
    again = {
        Purpose.PLANNED: "",
        Purpose.AGAIN: f"try {board.attempt}",
        Purpose.EXTRA: "extra repeat",
    }[board.purpose]
    words = [*board.label.without_ap_config(slot.case), *([again] if again else [])]
    return [_one_line(slot.case.ap_config, "bold"), _one_line("  ".join(words))]


def _figures(board: Board, ink: str) -> list[Text]:
    rate = board.rate_mbps
    if rate is None:
        number = "-"
    elif rate >= 99.5:
        number = f"{rate:.0f}"
    else:
        number = f"{rate:.1f}"
    planned_s = 0.0 if board.plan is None else board.plan.timing.warm_up_s + board.plan.timing.duration_s
    ran_s = min(board.transfer_s, planned_s)
    rows = [Text(row, no_wrap=True, overflow="crop") for row in big_figures(number, ink)]
    return [*rows, Text(), _one_line(f"Mbit/s now, {ran_s:.0f} of {planned_s:.0f} s")]


def _link(board: Board) -> list[Text]:
    if board.link is None:
        return []
    return [Text(printable(link_text(board.link) or f"link not read: {unread_text(board.link)}"))]


def _last(board: Board) -> list[Text]:
    record = board.last
    if record is None:
        return []
    gave = f"{rate_text(record.throughput_mbps)} Mbit/s" if record.status is Status.OK else str(record.status)
    words = ", ".join(filter(None, [f"last: {gave}", round_trip_words_of(record)]))
    flags = [flag.name for flag in record.flags if flag.name != SIMULATED]
    lines = [Text(printable(words))]
    return [*lines, _one_line(f"flagged {', '.join(flags)}")] if flags else lines


def _concerns(board: Board) -> list[Text]:
    lines = []
    if board.flagged:
        lines.append(_one_line(f"{count_text(len(board.flagged), 'attempt')} failed or flagged so far"))
    lines += [Text(printable(f"{name} {step}")) for name, step in board.to_repeat[-SHOWN_REPEATS:]]
    hidden = len(board.to_repeat) - SHOWN_REPEATS
    if hidden > 0:
        lines.append(_one_line(f"and {hidden} more to measure again"))
    if board.stop_asked:
        lines.append(_one_line("stopping; Ctrl-C again to stop at once", "bold"))
    return [Text(), *lines] if lines else []


def _one_line(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style, no_wrap=True, overflow="ellipsis")
