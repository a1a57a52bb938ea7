"""An event loop in which waiting takes no time: its clock jumps to the next timer when nothing else is to be done.

    in_fast_time(work())     # hours of asyncio.sleep in a second

Only for work that waits for timers and for itself: no sockets, threads or processes. When nothing is left to wait for,
that is an error and not a hang. May import the standard library only.
"""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

BEGIN_S = 1000.0
"""What the loop's clock says at first."""


class _JumpingSelector(selectors.SelectSelector):
    """Waits for nothing; moves the clock instead."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = BEGIN_S

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if timeout is None and not ready:
            raise AssertionError("everything waits, and nothing is due any more")
        if not ready:
            self.now_s += max(timeout or 0.0, 0.0)
        return ready


class FastLoop(asyncio.SelectorEventLoop):
    """Its time is that of the selector."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s


def in_fast_time(work: Coroutine[Any, Any, T]) -> T:
    """Run to the end and return the result."""
    with asyncio.Runner(loop_factory=FastLoop) as runner:
        return runner.run(work)
