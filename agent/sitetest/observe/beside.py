"""The observers of one attempt: what starts and stops them, and when.

    beside()        slow facts, then link and host samples once a second, each in a thread of its own
    idle_before()   the lease is held, nothing flows: round trips over the idle path
    loaded()        samples of the load: capacity for the probes, and the test's seconds for the samplers to fall on
    idle_after()    the load is over: round trips again; then no probe more, as the lease is given back
    finish()        all stopped, slow facts again

They never raise (but for a cancellation), never stop a transfer, and hold one up only for the two idle times.
May import engines.base, plan.idle_path, sitetest_wire, observe and the standard library only.
"""

import asyncio
import logging
import socket
import threading
import time
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from functools import partial
from types import MappingProxyType
from typing import Protocol, TypeVar

from sitetest.engines.base import Reflector, TransferSpec
from sitetest.observe.host import HostReader
from sitetest.observe.host_sampler import HostSampler
from sitetest.observe.interface import InterfaceFacts
from sitetest.observe.link.place_names import own_labels
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reader_choice import choose_reader
from sitetest.observe.link.record import LinkFacts, LinkSample
from sitetest.observe.link.sampler import STOP_LIMIT_S, LinkSampler
from sitetest.observe.load_seen import LoadSeen
from sitetest.observe.observed import Observed
from sitetest.observe.probe_record import LatencyRecord, Phase
from sitetest.observe.prober import LOOKUP_LIMIT_S, LatencyProber
from sitetest.observe.responsiveness import ForeignProbe, ForeignProber, TinyObject, probe_once
from sitetest.observe.slow_facts import SlowFacts
from sitetest.plan.idle_path import idle_s
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs

LAST_ANSWERS_S = 0.2
"""How long the last answers of the idle path are waited for before the lease is given back."""


class Way(Protocol):
    """Which way packets to the server leave: see :class:`sitetest.visit.diagnosis.Route`."""

    @property
    def interface(self) -> str | None: ...


def live_reader() -> LinkReader:
    """Return this system's link reader, which writes labels instead of names."""
    return choose_reader(own_labels())


class SystemObservers:
    """Makes the observers of each attempt of a run: see :class:`sitetest.visit.protocols.Observers`.

    reader: makes the link reader, once, when the first attempt needs it; another one plays a scenario or a capture, and
    says so in every record. tiny_objects: by leg, what foreign probes fetch; none for a leg that is not named. clock:
    monotonic seconds. Call :meth:`close` at the end of the run.
    """

    def __init__(
        self,
        *,
        reader: Callable[[], LinkReader] = live_reader,
        tiny_objects: Mapping[str, TinyObject] = MappingProxyType({}),
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._facts = SlowFacts(reader, clock)
        self._tiny_objects = tiny_objects
        self._clock = clock
        self._sleep = sleep
        self._left_behind: list[threading.Thread] = []

    async def beside(self, spec: TransferSpec, route: Way | None, leg: str) -> "SystemBeside":
        """Begin to observe."""
        beside = SystemBeside(
            spec,
            None if route is None else route.interface,
            facts=self._facts,
            tiny_object=self._tiny_objects.get(leg),
            clock=self._clock,
            sleep=self._sleep,
            leave_behind=self._leave_behind,
        )
        await beside.begin()
        return beside

    async def close(self) -> None:
        """Give up the link reader, once nothing uses it any more."""
        for thread in self._left_behind:
            await asyncio.to_thread(thread.join, STOP_LIMIT_S)
        await self._facts.close()

    def _leave_behind(self, stop: Callable[[], object]) -> None:
        """Stop something that may take its time, and do not wait for it."""
        thread = threading.Thread(target=stop, name="observer-stop", daemon=True)
        thread.start()
        self._left_behind.append(thread)


class SystemBeside:
    """See :class:`sitetest.visit.protocols.Beside`. Made by :meth:`SystemObservers.beside`. interface: None when it is
    not known, and the link is then not observed. leave_behind: runs something without waiting for it."""

    def __init__(
        self,
        spec: TransferSpec,
        interface: str | None,
        *,
        facts: SlowFacts,
        tiny_object: TinyObject | None,
        clock: Callable[[], float],
        sleep: Callable[[float], Awaitable[None]],
        leave_behind: Callable[[Callable[[], object]], None],
    ) -> None:
        self._spec = spec
        self._interface = interface
        self._facts = facts
        self._tiny_object = tiny_object
        self._clock = clock
        self._sleep = sleep
        self._leave_behind = leave_behind
        self._load = LoadSeen(clock)
        self._load_from_s: float | None = None
        self._load_until_s: float | None = None
        self._aligned = False
        self._interface_before: InterfaceFacts | None = None
        self._facts_before: LinkFacts | None = None
        self._link: LinkSampler | None = None
        self._link_now: LinkSample | None = None
        self._host: HostSampler | None = None
        self._prober: LatencyProber | None = None
        self._probing: asyncio.Task[None] | None = None
        self._foreign: ForeignProber | None = None
        self._foreign_probing: asyncio.Task[None] | None = None

    async def begin(self) -> None:
        """Read the slow facts, then start the samplers. Nothing is waited for once one runs, so that a cancellation
        leaves nothing behind."""
        sources = await self._facts.host_sources()
        if self._interface is not None:
            reader = await self._facts.reader()
            self._interface_before, self._facts_before = await self._slow_facts(self._interface)
            self._link = LinkSampler(
                reader, self._interface, clock=self._clock, caller=self._facts.reader_calls, on_sample=self._note_link
            )
            self._link.start()
        if sources is not None:
            self._host = HostSampler(HostReader(self._interface, sources=sources), clock=self._clock)
            self._host.start()

    # -- while the engine runs -----------------------------------------------------------------------------------

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Ask for round trips over the idle path; without a reflector there is nothing to wait for."""
        if reflector is not None:
            self._prober = LatencyProber((reflector.host, reflector.port), reflector.token)
            self._probing = asyncio.create_task(self._prober.run(), name="latency prober")
            await self._sleep(idle_s(self._spec.total_s))
            self._prober.enter(Phase.LOADED)
        self._load_from_s = self._clock()
        if self._tiny_object is not None:
            probing = self._probe_foreign(self._tiny_object)
            self._foreign_probing = asyncio.create_task(probing, name="foreign prober")

    def loaded(self, sample: Sample) -> None:
        """Take note of a sample of the load."""
        self._load.take(sample)
        if self._aligned or sum(count > 0 for count in sample.stream_bytes) < self._spec.streams:
            return
        self._aligned = True
        started_s = self._load.from_s(sample.counted_as)
        if started_s is None:
            return
        window_from_s = started_s + sample.at_s + self._spec.warm_up_s
        if self._host is not None:
            self._host.align(window_from_s)
        if self._link is not None:
            self._link.align(window_from_s + 0.5)  # in the middle of its second, whatever the clocks are out by

    async def idle_after(self) -> None:
        """Ask for round trips over the path that is idle again, then stop asking: the lease is about to be given back.

        Foreign probes end here, one in progress without a result.
        """
        self._load_until_s = self._clock()
        await _cancelled(self._foreign_probing)
        if self._prober is None:
            return
        self._prober.enter(Phase.IDLE_AFTER)
        await self._sleep(idle_s(self._spec.total_s))
        with suppress(TimeoutError):
            async with asyncio.timeout(LAST_ANSWERS_S):
                await self._prober.finish()

    def link_now(self) -> LinkSample | None:
        """The last link sample; None while there is none."""
        return self._link_now

    # -- the end -------------------------------------------------------------------------------------------------

    async def finish(self) -> Observed:
        """Stop all observers, read the slow facts again, and return what they saw."""
        await _cancelled(self._foreign_probing)
        latency, link, host = await asyncio.gather(
            self._last_latency(),
            _in_thread(None if self._link is None else self._link.stop),
            _in_thread(None if self._host is None else self._host.stop),
        )
        interface_after: InterfaceFacts | None = None
        facts_after: LinkFacts | None = None
        if self._interface is not None:
            interface_after, facts_after = await self._slow_facts(self._interface)
        self._link = self._host = None
        return Observed(
            load_from_s=self._load_from_s,
            load_until_s=self._load_until_s,
            received_from_s=self._load.from_s(CountedAs.RECEIVED),
            acked_from_s=self._load.from_s(CountedAs.ACKED),
            interface=self._interface_before,
            interface_after=interface_after,
            facts_before=self._facts_before,
            facts_after=facts_after,
            link=link,
            host=host or (),
            latency=latency,
            foreign=self._foreign_found(),
        )

    def abandon(self) -> None:
        """Stop all observers at once, and keep nothing. Does nothing after :meth:`finish`."""
        for task in (self._probing, self._foreign_probing):
            if task is not None:
                task.cancel()
        for sampler in (self._link, self._host):
            if sampler is not None:
                self._leave_behind(sampler.stop)
        self._link = self._host = None

    async def _last_latency(self) -> LatencyRecord | None:
        if self._prober is None:
            return None
        record = await self._prober.finish()
        await _cancelled(self._probing)  # it has ended, unless finding the reflector's address hangs
        return record

    def _foreign_found(self) -> tuple[ForeignProbe, ...]:
        return () if self._foreign is None else self._foreign.probes()

    async def _slow_facts(self, interface: str) -> tuple[InterfaceFacts, LinkFacts]:
        return await asyncio.gather(self._facts.interface(interface), self._facts.link(interface))

    async def _probe_foreign(self, tiny: TinyObject) -> None:
        address = await _address_of(tiny)
        if address is None:
            return
        probe = partial(probe_once, address, tiny.port, tiny.path, tls=tiny.tls, server_name=tiny.host)
        self._foreign = ForeignProber(probe, capacity_mbps=self._load.capacity_mbps, clock=self._clock)
        await self._foreign.run()

    def _note_link(self, sample: LinkSample) -> None:
        """Called from the sampler's thread."""
        self._link_now = sample


async def _address_of(tiny: TinyObject) -> str | None:
    """Return an address, so that no name is looked up inside a probe's time; None when none is found."""
    try:
        async with asyncio.timeout(LOOKUP_LIMIT_S):
            found = await asyncio.get_running_loop().getaddrinfo(tiny.host, tiny.port, type=socket.SOCK_STREAM)
    except (OSError, TimeoutError, UnicodeError):
        return None
    return str(found[0][4][0])


async def _cancelled(task: "asyncio.Task[None] | None") -> None:
    """Cancel a task and wait for its end; a fault in it is logged, and ends nothing."""
    if task is None:
        return
    task.cancel()
    await asyncio.wait({task})
    fault = None if task.cancelled() else task.exception()
    if fault is not None:
        logging.getLogger(__name__).error("an observer failed; the test goes on without it", exc_info=fault)


Answer = TypeVar("Answer")


async def _in_thread(work: Callable[[], Answer] | None) -> Answer | None:
    return None if work is None else await asyncio.to_thread(work)
