"""Waiting that a stop event ends. May import visit.protocols and the standard library only."""

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from sitetest.visit.protocols import Clock

T = TypeVar("T")


class Stopped(Exception):
    """The stop event is set. A signal inside the visit; never leaves the conductor."""


class Stoppable:
    """Waits, but not beyond the moment at which ``stop`` is set."""

    def __init__(self, stop: asyncio.Event, clock: Clock) -> None:
        self._stop = stop
        self._clock = clock

    def go_on(self) -> None:
        """Raise Stopped when the stop event is set."""
        if self._stop.is_set():
            raise Stopped

    async def pause(self, duration_s: float) -> None:
        """Sleep. Raises Stopped as soon as the stop event is set."""
        await self.result_of(self._clock.sleep(duration_s))

    async def result_of(self, work: Awaitable[T]) -> T:
        """Await ``work``; cancel it and raise Stopped as soon as the stop event is set."""
        working = asyncio.ensure_future(work)
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            await asyncio.wait({working, stopping}, return_when=asyncio.FIRST_COMPLETED)
            self.go_on()
            return working.result()
        finally:
            working.cancel()
            stopping.cancel()
            await asyncio.gather(working, stopping, return_exceptions=True)
