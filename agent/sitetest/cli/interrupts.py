"""Ctrl-C during a run: the first asks to stop and keeps what is measured, the second stops at once.

A third one, should the clean stop itself hang, ends the process as Python usually does.

May import the standard library only.
"""

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

FIRST = "Stopping; what is measured is kept. Ctrl-C once more to stop at once."
SECOND = "Stopping at once."


class Interrupts:
    """Counts the Ctrl-Cs of a run. ``stop`` is set by the first; the second cancels ``task``."""

    def __init__(self, stop: asyncio.Event, task: "asyncio.Task[object]", say: Callable[[str], None]) -> None:
        self._stop = stop
        self._task = task
        self._say = say
        self.count = 0

    @property
    def stopped_at_once(self) -> bool:
        """Whether the second one has come."""
        return self.count > 1

    def press(self) -> None:
        """Take one Ctrl-C; must be called from the event loop."""
        self.count += 1
        if self.count == 1:
            self._say(FIRST)
            self._stop.set()
        elif self.count == 2:
            self._say(SECOND)
            self._task.cancel()


@contextmanager
def on_interrupt(press: Callable[[], None]) -> Iterator[None]:
    """Call ``press`` in the running event loop for every SIGINT and SIGTERM, in place of the usual."""
    loop = asyncio.get_running_loop()

    presses = 0

    def handler(_number: int, _frame: FrameType | None) -> None:
        nonlocal presses
        presses += 1
        if presses > 2:
            raise KeyboardInterrupt
        loop.call_soon_threadsafe(press)

    before = {number: signal.signal(number, handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, previous in before.items():
            signal.signal(number, previous)
