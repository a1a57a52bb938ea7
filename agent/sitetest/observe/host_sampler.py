"""Takes one host sample a second beside a transfer, in a thread of its own, so that it never delays the transfer.

May import observe and the standard library only.
"""

import threading
import time
from collections.abc import Callable
from typing import Protocol

from sitetest.observe.host import PERIOD_S, HostSample

STOP_LIMIT_S = 2.0

Pause = Callable[[threading.Event, float], bool]
"""Waits for an event up to some seconds; returns whether it is set."""


class Reader(Protocol):
    """What is sampled; the real one is :class:`sitetest.observe.host.HostReader`."""

    def prime(self) -> None: ...
    def sample(self) -> HostSample: ...


class HostSampler:
    """One use only. clock: monotonic seconds. pause, clock: passed in by tests."""

    def __init__(
        self, reader: Reader, *, clock: Callable[[], float] = time.monotonic, pause: Pause = threading.Event.wait
    ) -> None:
        self._reader = reader
        self._clock = clock
        self._pause = pause
        self._origin_s = clock()
        self._stopping = threading.Event()
        self._samples: list[HostSample] = []
        self._thread = threading.Thread(target=self.run, name="host-sampler", daemon=True)

    def start(self) -> None:
        """Begin: what happens from now on counts into the first sample."""
        self._thread.start()

    def align(self, at_s: float) -> None:
        """Let samples end ``at_s`` on the sampler's clock plus whole seconds, from the next but one on."""
        self._origin_s = at_s

    def stop(self) -> tuple[HostSample, ...]:
        """Take the last sample and return all. May take up to STOP_LIMIT_S, so it belongs into a worker thread; a
        thread that hangs is left behind."""
        self._stopping.set()
        self._thread.join(STOP_LIMIT_S)
        return tuple(self._samples)

    def run(self) -> None:
        """Sample until told to stop: the work of the sampler's thread."""
        self._reader.prime()
        while not self._pause(self._stopping, PERIOD_S - (self._clock() - self._origin_s) % PERIOD_S):
            self._samples.append(self._reader.sample())
        self._samples.append(self._reader.sample())
