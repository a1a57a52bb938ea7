"""Shows a soak on stderr: on a terminal a board that is redrawn in place, with what happened above it; anywhere else
one plain line an event and one an hour, no escape codes. Neither can slow the soak down or stop it.

Console and clock are passed in. Text that others wrote is never read as markup and moves no cursor. May import rich,
cli.soak_board, cli.soak_lines, visit.soak, report and the standard library only.
"""

from collections.abc import Callable
from datetime import datetime
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from sitetest.cli.soak_board import SoakBoard, after, soak_view, stopping
from sitetest.cli.soak_lines import SoakLines
from sitetest.report.printable import printable
from sitetest.visit.soak import state as soak_state
from sitetest.visit.soak.events import SoakHappening
from sitetest.visit.soak.state import SoakState

REDRAWS_PER_S = 1.0
"""Once a second is enough for a countdown, and costs a laptop nothing that a test would miss."""


class SoakScreen(Protocol):
    """What shows a soak. Entered before the first happening, left after the last one."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def __call__(self, happening: SoakHappening) -> None:
        """Take note of a happening."""

    def stop_asked(self) -> None:
        """Take note that the person wants to stop."""

    def say(self, text: str) -> None:
        """Show one message now."""


def soak_screen_on(console: Console, now: Callable[[], datetime]) -> SoakScreen:
    """Return the screen that suits a console. now: the wall clock."""
    if console.is_terminal and not console.is_dumb_terminal:
        return LiveSoakScreen(console, now)
    return LineSoakScreen(lambda line: console.print(Text(line), soft_wrap=True), now)


class LiveSoakScreen:
    """Redraws the board in place; what happened scrolls by above it."""

    def __init__(self, console: Console, now: Callable[[], datetime]) -> None:
        self._console = console
        self._now = now
        self._board = SoakBoard(SoakState(since=now()))
        self._lines = SoakLines()
        self._live = Live(
            get_renderable=lambda: soak_view(self._board, self._now()),
            console=console,
            refresh_per_second=REDRAWS_PER_S,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def __call__(self, happening: SoakHappening) -> None:
        now = self._now()
        self._board = after(self._board, happening, now)
        for line in self._lines.after(happening, now):
            self.say(line)

    def stop_asked(self) -> None:
        self._board = stopping(self._board)

    def say(self, text: str) -> None:
        self._console.print(Text(printable(text)))


class LineSoakScreen:
    """Writes plain lines through ``write``, which takes one line without its end. A heartbeat is written when something
    is told after its time has come: the watch tells something every second."""

    def __init__(self, write: Callable[[str], None], now: Callable[[], datetime]) -> None:
        self._write = write
        self._now = now
        self._state = SoakState(since=now())
        self._lines = SoakLines()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def __call__(self, happening: SoakHappening) -> None:
        now = self._now()
        self._state = soak_state.after(self._state, happening, now)
        for line in [*self._lines.after(happening, now), self._lines.heartbeat(self._state, now)]:
            if line:
                self.say(line)

    def stop_asked(self) -> None:
        return None

    def say(self, text: str) -> None:
        self._write(printable(text))
