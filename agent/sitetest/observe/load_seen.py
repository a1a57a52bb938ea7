"""What the live samples of a transfer tell its observers: how much flows, and when the samples' own clock read 0.

A sample carries the time of the clock that it was taken with, counted from that clock's own start. It cannot come here
before it was taken; so "now less its time" is never too small, and the smallest such difference is the best estimate of
when that clock read 0. Samples of received and of acknowledged bytes have clocks of their own.

May import sitetest_wire and the standard library only.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from sitetest_wire.samples import Sample
from sitetest_wire.units import mbps
from sitetest_wire.words import CountedAs

CAPACITY_OVER_S = 1.0
"""The load is the rate over the last second: shorter, and what the buffers took would count as carried."""


@dataclass(slots=True)
class _Counter:
    from_s: float = float("inf")
    recent: deque[tuple[float, int]] = field(default_factory=deque)


class LoadSeen:
    """Takes note of samples. clock: the agent's monotonic one, in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._counters = {kind: _Counter() for kind in CountedAs}
        self._last: CountedAs | None = None

    def take(self, sample: Sample) -> None:
        """Take note of a sample that has just come."""
        counter = self._counters[sample.counted_as]
        counter.from_s = min(counter.from_s, self._clock() - sample.at_s)
        counter.recent.append((sample.at_s, sample.total_bytes))
        while len(counter.recent) > 2 and sample.at_s - counter.recent[1][0] >= CAPACITY_OVER_S:
            counter.recent.popleft()
        self._last = sample.counted_as

    def from_s(self, kind: CountedAs) -> float | None:
        """When the clock of samples of that kind read 0, on the agent's clock; None while none has come."""
        found = self._counters[kind].from_s
        return None if found == float("inf") else found

    def capacity_mbps(self) -> float | None:
        """What flowed over the last second, in Mbit/s of payload; None until a second of it has been seen."""
        if self._last is None:
            return None
        recent = self._counters[self._last].recent
        (first_s, first_bytes), (last_s, last_bytes) = recent[0], recent[-1]
        if last_s - first_s < CAPACITY_OVER_S:
            return None
        return mbps(last_bytes - first_bytes, last_s - first_s)
