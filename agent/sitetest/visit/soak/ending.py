"""When a soak is to end: at a time of the wall clock that is settled as it begins, whatever the wall clock does later.

The monotonic clock may stop while the laptop sleeps; the wanted time goes on. So a sleep is added, as far as the
monotonic clock left it out: the wall clock tells, which went on. May import visit.protocols and the standard library
only.
"""

from datetime import datetime

from sitetest.visit.protocols import Clock


class Ending:
    """until: when to end; None: not by the clock."""

    def __init__(self, clock: Clock, until: datetime | None) -> None:
        self._clock = clock
        self._wall, self._monotonic_s = clock.now(), clock.monotonic_s()
        self._slept_s = self._left_out_s = 0.0
        self._end_s: float | None = None
        if until is not None:
            self._end_s = self._monotonic_s + (until - self._wall).total_seconds()

    @property
    def left_s(self) -> float | None:
        """Seconds until the end, below 0 when it is over; None when no time ends it."""
        return None if self._end_s is None else self._end_s - self._left_out_s - self._clock.monotonic_s()

    def has(self, needed_s: float) -> bool:
        """Whether there is time for something that takes so long."""
        left_s = self.left_s
        return left_s is None or needed_s <= left_s

    def slept(self, length_s: float) -> None:
        """The laptop has slept for so long."""
        self._slept_s += length_s
        left_out_s = (self._clock.now() - self._wall).total_seconds() - (self._clock.monotonic_s() - self._monotonic_s)
        self._left_out_s = min(max(left_out_s, 0.0), self._slept_s)
