"""What the agent itself did to the path, and when: seconds and outages are told late, after it may have ended.

May import store.records, visit.protocols and the standard library only.
"""

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sitetest.store.records import Doing
from sitetest.visit.protocols import Clock

_REMEMBERED = 32
"""Stretches that are remembered. A second is told within some seconds of its end, an outage that a switch began before
the next switch."""


@dataclass(slots=True)
class _Stretch:
    doing: Doing
    began_s: float
    ended_s: float | None = None

    def meets(self, from_s: float, until_s: float) -> bool:
        return self.began_s < until_s and (self.ended_s is None or self.ended_s > from_s)


class DoingLog:
    """Remembers the last stretches of transferring and switching, on the monotonic clock."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._stretches: deque[_Stretch] = deque(maxlen=_REMEMBERED)
        self._last_switch: _Stretch | None = None

    @contextmanager
    def stretch(self, doing: Doing) -> Iterator[None]:
        """Remember that the body does this to the path."""
        stretch = _Stretch(doing, self._clock.monotonic_s())
        self._stretches.append(stretch)
        if doing is Doing.SWITCH:
            self._last_switch = stretch
        try:
            yield
        finally:
            stretch.ended_s = self._clock.monotonic_s()

    def during(self, start_s: float, length_s: float) -> Doing:
        """What was done in a stretch of time; a switch comes before a transfer."""
        seen = {one.doing for one in self._stretches if one.meets(start_s, start_s + length_s)}
        return next((doing for doing in (Doing.SWITCH, Doing.TRANSFER) if doing in seen), Doing.NOTHING)

    def switched_at(self, at_s: float) -> bool:
        """Whether an AP config was being applied at that time; of the last switch alone."""
        last = self._last_switch
        return last is not None and last.began_s <= at_s and (last.ended_s is None or at_s <= last.ended_s)
