"""Reads the link once a second for days, on the interface that carries the packets, and keeps nothing.

The reader is one of the watch's own, in a thread of its own: readers are not to be shared, and the observers of a test
have another. A reading that hangs costs its second; a reader that is expensive, or an interface that is no Wi-Fi, is
read less often. Never raises for what the system does.

May import observe and the standard library only.
"""

import asyncio
import logging
import time
from collections import deque
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from statistics import median
from typing import Any, TypeVar

from sitetest.observe.beside import Way
from sitetest.observe.link.abandonable_call import AbandonableCall, TimedOut
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.sampler import CALL_LIMIT_S, EXPENSIVE_MS, PERIOD_S, SAMPLES_TO_JUDGE, SLOW_PERIOD_S
from sitetest.observe.probe_packets import next_due_s
from sitetest.observe.slow_facts import READER_LIMIT_S
from sitetest.observe.watch.link_changes import LinkChanges
from sitetest.observe.watch.seen import Move, Roam

ROUTE_EVERY_S = 30.0
"""How often the way of the packets is asked anew while all is well: a person plugs in a cable."""

COSTS_KEPT = 15

Route = Callable[[], Awaitable[Way | None]]
Answer = TypeVar("Answer")


class LinkWatch:
    """make_reader: called once, in the reader's thread; must make a reader that nobody else uses. route: which way
    packets leave now; None: not known, and the last one stands. on_sample, on_change: called from the event loop."""

    def __init__(
        self,
        make_reader: Callable[[], LinkReader],
        route: Route,
        *,
        on_sample: Callable[[LinkSample], None],
        on_change: Callable[[Roam | Move], None],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._make_reader = make_reader
        self._route = route
        self._on_sample = on_sample
        self._on_change = on_change
        self._clock = clock
        self._sleep = sleep
        self._calls = AbandonableCall[Any]("watch-link-reader")
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="watch-link")
        self._reader: LinkReader | None = None
        self._told_fault = False
        self._interface: str | None = None
        self._changes = LinkChanges()
        self._costs_ms: deque[float] = deque(maxlen=COSTS_KEPT)
        self._period_s = PERIOD_S
        self._routed_s: float | None = None
        self._routing: asyncio.Task[Way | None] | None = None

    def ask_way(self) -> None:
        """The way of the packets may have changed: ask it at the next sample."""
        self._routed_s = None

    async def run(self) -> None:
        """Sample in the middle of every second from now until cancelled."""
        due_s = self._clock() + PERIOD_S / 2
        try:
            while True:
                await self._sleep(max(0.0, due_s - self._clock()))
                self._follow_the_way()
                sample = await self._sample()
                if sample is not None:
                    self._on_sample(sample)
                    change = self._changes.see(sample)
                    if change is not None:
                        self._on_change(change)
                    self._pace(sample)
                due_s = next_due_s(due_s, self._clock(), self._period_s)
        finally:
            self._end()

    # -- the way -------------------------------------------------------------------------------------------------

    def _follow_the_way(self) -> None:
        if self._routing is not None and self._routing.done():
            routing, self._routing = self._routing, None
            self._take_way(routing)
        if self._routing is None and (self._routed_s is None or self._clock() - self._routed_s >= ROUTE_EVERY_S):
            self._routed_s = self._clock()
            self._routing = asyncio.ensure_future(self._route())

    def _take_way(self, routing: "asyncio.Task[Way | None]") -> None:
        if routing.cancelled():
            return
        fault = routing.exception()
        if fault is not None:
            self._complain(fault)
            return
        way = routing.result()
        if way is not None and way.interface is not None and way.interface != self._interface:
            self._interface = way.interface
            self._changes = LinkChanges()
            self._costs_ms.clear()
            self._period_s = PERIOD_S

    # -- a sample ------------------------------------------------------------------------------------------------

    async def _sample(self) -> LinkSample | None:
        if self._interface is None:
            return None
        if self._reader is None:
            self._reader = await self._within(self._make_reader, READER_LIMIT_S)
        if self._reader is None:
            return None
        read = partial(self._reader.sample, self._interface, self._clock() + CALL_LIMIT_S)
        return await self._within(read, CALL_LIMIT_S)

    async def _within(self, ask: Callable[[], Answer], limit_s: float) -> Answer | None:
        loop = asyncio.get_running_loop()
        try:
            answer: Answer = await loop.run_in_executor(self._thread, self._calls.call, ask, limit_s)
        except TimedOut:
            return None
        except Exception as fault:  # noqa: BLE001  a fault of a reader must not end a night; it is told
            self._complain(fault)
            return None
        return answer

    def _pace(self, sample: LinkSample) -> None:
        self._costs_ms.append(sample.cost_ms)
        expensive = len(self._costs_ms) >= SAMPLES_TO_JUDGE and median(self._costs_ms) > EXPENSIVE_MS
        no_radio = sample.why.get("associated") is Reason.NOT_WIFI
        self._period_s = SLOW_PERIOD_S if expensive or no_radio else PERIOD_S

    def _complain(self, fault: BaseException) -> None:
        """Once, not every second."""
        if not self._told_fault:
            self._told_fault = True
            logging.getLogger(__name__).error("the link cannot be watched; the soak goes on without it", exc_info=fault)

    def _end(self) -> None:
        if self._routing is not None:
            self._routing.cancel()
        reader, self._reader = self._reader, None
        if reader is not None:
            self._thread.submit(self._calls.call, reader.close, CALL_LIMIT_S)
        self._thread.submit(self._calls.close, 0.05)
        self._thread.shutdown(wait=False)
