"""A clock that stands still while nobody watches: asleep, stopped, or held up.

All lengths of the watch are on it. So an outage never contains time in which no probe was sent, whatever the reason and
whether or not the system's own clock runs on in sleep.

Pure. May import the standard library only.
"""

LONGEST_STEP_S = 0.3
"""What one step of the system's clock counts at most: three probe intervals. Our own choice, no source: a busy laptop
wakes a program late by less."""


class WatchedTime:
    """Seconds watched since the first :meth:`advance`."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._clock_s: float | None = None

    def advance(self, clock_s: float) -> float:
        """Take note of the system's monotonic clock, which never goes back; return the seconds watched until now."""
        if self._clock_s is not None:
            self.now_s += min(clock_s - self._clock_s, LONGEST_STEP_S)
        self._clock_s = clock_s
        return self.now_s
