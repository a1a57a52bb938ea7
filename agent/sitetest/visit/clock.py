"""Time: the real clock, and a watch on the wall clock that notices when it is set.

May import the standard library only.
"""

import asyncio
import time
from datetime import UTC, datetime

from sitetest.visit.protocols import Clock

STEP_S = 1.0
"""A wall clock that is this far from where the monotonic clock expects it was set, or the laptop slept. Above what a
clock under NTP drifts within an attempt: at most 0.5 ms a second (RFC 5905 limits the frequency to 500 ppm)."""


class SystemClock:
    """The clocks of this computer."""

    def now(self) -> datetime:
        """UTC wall clock, timezone-aware. May jump."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Seconds that never go back."""
        return time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        """Wait."""
        await asyncio.sleep(duration_s)


class WallClockWatch:
    """Compares the wall clock with the monotonic one, each time from the last time on."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._wall = clock.now()
        self._monotonic_s = clock.monotonic_s()

    def step_s(self) -> float | None:
        """Return by how many seconds the wall clock was set since the last call (below 0: back); None: not."""
        wall, monotonic_s = self._clock.now(), self._clock.monotonic_s()
        step_s = (wall - self._wall).total_seconds() - (monotonic_s - self._monotonic_s)
        self._wall, self._monotonic_s = wall, monotonic_s
        return step_s if abs(step_s) > STEP_S else None
