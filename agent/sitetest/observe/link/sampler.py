"""Takes one link sample a second beside a transfer, in a thread of its own, and collects events.

It never raises, never holds up the transfer, and never changes what it observes. The grid is the monotonic clock: a
sample at the start, one at every whole period after it, one at the end. A call that hangs costs that second's record
(`timeout`), not the ones after it. When the reader proves expensive the pace goes down, and the log says so.

May import the standard library and its neighbours only.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from typing import Protocol

from sitetest.observe.link.abandonable_call import AbandonableCall, TimedOut
from sitetest.observe.link.draft import empty_sample
from sitetest.observe.link.events import EventSource, LinkEvent, LinkEventKind
from sitetest.observe.link.reader import Clock, LinkReader
from sitetest.observe.link.reasons import IN_WORDS, Reason
from sitetest.observe.link.record import LinkSample, Moment, Source, SourceKind

PERIOD_S = 1.0
SLOW_PERIOD_S = 5.0
CALL_LIMIT_S = 0.8
EXPENSIVE_MS = 20.0
"""A median cost above this lowers the pace. Our own choice: 2 % of a second."""

SAMPLES_TO_JUDGE = 3
"""How many costs are needed before the pace is lowered."""

EVENT_WAIT_S = 0.25
STOP_LIMIT_S = 2.0

Pause = Callable[[threading.Event, float], bool]
"""Waits for an event up to some seconds; returns whether it is set."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something about the readings that the person should know. code: one word for programs."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class LinkLog:
    """Everything that was seen between start and stop. samples, events: in order of time. events_available: events can
    be seen at all here; without them "no roam" is not shown. cost_median_ms, cost_max_ms: of the calls that came back,
    None without any. period_s: pace at the end."""

    samples: tuple[LinkSample, ...]
    events: tuple[LinkEvent, ...]
    events_available: bool
    cost_median_ms: float | None
    cost_max_ms: float | None
    period_s: float
    notices: tuple[Notice, ...]


class Caller(Protocol):
    """Calls with a limit; the real one is :class:`AbandonableCall`."""

    def call(self, function: Callable[[], LinkSample], limit_s: float) -> LinkSample: ...
    def close(self, limit_s: float) -> None: ...


class LinkSampler:
    """Samples one interface. :meth:`start` returns at once; :meth:`stop` may take up to two seconds and belongs into a
    worker thread. One use only.

    on_sample: called from the sampler's thread with each sample, for display; must return at once; what it raises
    becomes a notice. pause, clock, caller: passed in by tests.
    """

    def __init__(
        self,
        reader: LinkReader,
        interface: str,
        *,
        clock: Clock = time.monotonic,
        pause: Pause = threading.Event.wait,
        caller: Caller | None = None,
        on_sample: Callable[[LinkSample], None] | None = None,
    ) -> None:
        self._reader = reader
        self._interface = interface
        self._clock = clock
        self._pause = pause
        self._caller = caller or AbandonableCall[LinkSample]("link-reader")
        self._on_sample = on_sample
        self._source = Source(reader.kind, reader.name, "unknown")
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._samples: list[LinkSample] = []
        self._events: list[LinkEvent] = []
        self._costs_ms: list[float] = []
        self._notices: dict[str, Notice] = {}
        self._period_s = PERIOD_S
        self._origin_s: float | None = None
        self._event_source: EventSource | None = None
        self._threads: list[threading.Thread] = []
        self._was_there = False

    def warm_up(self) -> LinkSample:
        """Take one sample that is not kept in the log, and count its cost. Before the run; up to 0.8 s."""
        return self._one()

    def start(self) -> None:
        """Begin: the first sample is taken now, in the sampler's thread."""
        for name, work in (("link-sampler", self.run), ("link-events", self._listen)):
            thread = threading.Thread(target=work, name=name, daemon=True)
            self._threads.append(thread)
            thread.start()

    def align(self, at_s: float) -> None:
        """Lay the grid so that samples fall ``at_s`` on the sampler's clock plus whole periods: onto the test's own
        seconds, once their start is known. Takes effect from the next wait on."""
        with self._lock:
            self._origin_s = at_s

    def stop(self) -> LinkLog:
        """Take the last sample and return the log. A thread that hangs is left behind."""
        self._stopping.set()
        for thread in self._threads:
            thread.join(STOP_LIMIT_S)
        self._caller.close(0.05)
        if self._event_source is not None:
            self._event_source.close()
        return self.log()

    def log(self) -> LinkLog:
        """Return what has been seen so far."""
        with self._lock:
            costs = self._costs_ms
            return LinkLog(
                samples=tuple(self._samples),
                events=tuple(sorted(self._events, key=lambda event: event.at_s)),
                events_available=self._event_source is not None,
                cost_median_ms=median(costs) if costs else None,
                cost_max_ms=max(costs, default=None),
                period_s=self._period_s,
                notices=tuple(self._notices.values()),
            )

    def run(self) -> None:
        """Sample until told to stop: the work of the sampler's thread."""
        began_s = self._clock()
        with self._lock:
            if self._origin_s is None:
                self._origin_s = began_s
        self._keep(self._one())
        while not self._pause(self._stopping, self._until_next_s()):
            self._keep(self._one())
        self._keep(self._one())

    def _until_next_s(self) -> float:
        """Return the seconds to the next point of the grid, never zero: missed points are passed over."""
        with self._lock:
            into_period_s = (self._clock() - (self._origin_s or 0.0)) % self._period_s
            return self._period_s - into_period_s

    def _one(self) -> LinkSample:
        at_s = self._clock()
        try:
            sample = self._caller.call(lambda: self._reader.sample(self._interface, at_s + CALL_LIMIT_S), CALL_LIMIT_S)
        except TimedOut:
            sample = empty_sample(Moment(self._source, self._interface, at_s, self._clock()), Reason.TIMEOUT)
        except Exception as fault:  # noqa: BLE001  a fault of a reader must not end a test; it is told below
            self._tell("reader_fault", f"The link reader failed: {fault!r}. This is a fault of sitetest.")
            moment = Moment(self._source, self._interface, at_s, self._clock())
            sample = empty_sample(moment, Reason.READER_UNAVAILABLE)
        else:
            self._source = sample.source
            self._count_cost(sample.cost_ms)
        return sample

    def _count_cost(self, cost_ms: float) -> None:
        with self._lock:
            self._costs_ms.append(cost_ms)
            too_much = len(self._costs_ms) >= SAMPLES_TO_JUDGE and median(self._costs_ms) > EXPENSIVE_MS
            lower = too_much and self._period_s < SLOW_PERIOD_S
            if lower:
                self._period_s = SLOW_PERIOD_S
        if lower:
            self._tell(
                "pace_lowered",
                f"Reading the link takes {median(self._costs_ms):.0f} ms each time, so it is read every "
                f"{SLOW_PERIOD_S:.0f} s instead of every second.",
            )

    def _keep(self, sample: LinkSample) -> None:
        gone = self._was_there and sample.why.get("associated") is Reason.NO_SUCH_INTERFACE
        self._was_there = sample.associated is not None or (self._was_there and not gone)
        with self._lock:
            self._samples.append(sample)
            if gone:
                event = LinkEvent(sample.at_s, LinkEventKind.INTERFACE_GONE, sample.source, self._interface)
                self._events.append(event)
        for path, reason in sample.why.items():
            self._tell(reason.value, f"{path} is not known: {IN_WORDS[reason]}.")
        if self._on_sample is not None:
            try:
                self._on_sample(sample)
            except Exception as fault:  # noqa: BLE001  a display must not end a test; it is told
                self._tell("display_fault", f"Showing the link failed: {fault!r}. This is a fault of sitetest.")

    def _listen(self) -> None:
        try:
            source = self._event_source = self._reader.events(self._interface)
            while source is not None and not self._stopping.is_set():
                found = source.wait(EVENT_WAIT_S)
                self._add_events(found)
                if not found and self._reader.kind is not SourceKind.LIVE:
                    self._pause(self._stopping, EVENT_WAIT_S)  # a player does not wait by itself
            if source is not None:
                self._add_events(source.wait(0.0))
        except Exception as fault:  # noqa: BLE001  a fault of a reader must not end a test; it is told
            self._tell("reader_fault", f"Listening for link events failed: {fault!r}. This is a fault of sitetest.")
            lost = LinkEvent(self._clock(), LinkEventKind.EVENTS_LOST, self._source, self._interface)
            self._add_events((lost,))

    def _tell(self, code: str, text: str) -> None:
        """Keep the first notice of each code."""
        with self._lock:
            self._notices.setdefault(code, Notice(code, text))

    def _add_events(self, events: tuple[LinkEvent, ...]) -> None:
        with self._lock:
            self._events.extend(events)
