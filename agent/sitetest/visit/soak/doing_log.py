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


class DoingLog:
    """Remembers the last stretches of transferring and switching, on the monotonic clock; one follows the other."""

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
        seen = set()
        for stretch in reversed(self._stretches):
            if stretch.ended_s is not None and stretch.ended_s <= start_s:
                break  # and so did all before it
            if stretch.began_s < start_s + length_s:
                seen.add(stretch.doing)
        return next((doing for doing in (Doing.SWITCH, Doing.TRANSFER) if doing in seen), Doing.NOTHING)

    @property
    def switching(self) -> bool:
        """Whether an AP config is being applied now."""
        return self._last_switch is not None and self._last_switch.ended_s is None

    def switched_at(self, at_s: float) -> bool:
        """Whether an AP config was being applied at that time; of the last switch alone."""
        last = self._last_switch
        return last is not None and last.began_s <= at_s and (last.ended_s is None or at_s <= last.ended_s)
