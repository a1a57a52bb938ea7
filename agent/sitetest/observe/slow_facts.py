"""Asks the system for what may take long, each question with a limit, in threads that can be left behind.

Nothing here raises but a cancellation: a question without an answer in time is a record full of reasons.
May import observe and the standard library only.
"""

import asyncio
import logging
import sys
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

from sitetest.observe.host import HostSources, system_sources
from sitetest.observe.interface import InterfaceFacts, interface_facts
from sitetest.observe.link.abandonable_call import AbandonableCall, TimedOut
from sitetest.observe.link.draft import empty_facts
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.reader import Clock, LinkReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, Moment, Source

READER_LIMIT_S = 3.0
"""How long making the link reader may take: loading its library, first words with the system."""

LINK_FACTS_LIMIT_S = 5.0
"""macOS tells some of them through a program that takes 2 to 4 s, as others report; elsewhere it is milliseconds."""

SYSTEM_LIMIT_S = 3.0
"""How long the facts of the interface may take: a driver may ask its firmware."""

Answer = TypeVar("Answer")


class SlowFacts:
    """The link reader of a run, and the questions around a transfer. make_reader: called once, when first needed."""

    def __init__(self, make_reader: Callable[[], LinkReader], clock: Clock) -> None:
        self.reader_calls = AbandonableCall[Any]("link-reader")
        self._system_calls = AbandonableCall[Any]("system-facts")
        self._make_reader = make_reader
        self._clock = clock
        self._reader: LinkReader | None = None
        self._sources: HostSources | None = None

    async def reader(self) -> LinkReader:
        """Return the run's link reader; one that says so in every record when there is none to be had."""
        if self._reader is None:
            self._reader = await _within(self.reader_calls, self._make_reader, READER_LIMIT_S, NoReader)
        return self._reader

    async def host_sources(self) -> HostSources | None:
        """Return where host facts come from; None when the system does not say so in time."""
        if self._sources is None:
            self._sources = await _within(self._system_calls, system_sources, SYSTEM_LIMIT_S, lambda _: None)
        return self._sources

    async def link(self, interface: str) -> LinkFacts:
        """Read the radio's slow facts. Never during a transfer."""
        reader = await self.reader()
        deadline_s = self._clock() + LINK_FACTS_LIMIT_S
        source = Source(reader.kind, reader.name, sys.platform)

        def unknown(reason: Reason) -> LinkFacts:
            return empty_facts(Moment(source, interface, self._clock(), self._clock()), reason)

        return await _within(
            self.reader_calls, partial(reader.facts, interface, deadline_s), LINK_FACTS_LIMIT_S, unknown
        )

    async def interface(self, name: str) -> InterfaceFacts:
        """Read the facts of an interface."""
        return await _within(
            self._system_calls, partial(interface_facts, name), SYSTEM_LIMIT_S, partial(_unknown_interface, name)
        )

    async def close(self) -> None:
        """Give up the reader. May be called twice."""
        reader, self._reader = self._reader, None
        if reader is not None:
            await _within(self.reader_calls, reader.close, SYSTEM_LIMIT_S, lambda _: None)
        for calls in (self.reader_calls, self._system_calls):
            calls.close(0.05)


async def _within(
    calls: AbandonableCall[Any], ask: Callable[[], Answer], limit_s: float, otherwise: Callable[[Reason], Answer]
) -> Answer:
    try:
        found: Answer = await asyncio.to_thread(calls.call, ask, limit_s)
    except TimedOut:
        return otherwise(Reason.TIMEOUT)
    except Exception:
        logging.getLogger(__name__).exception("an observer failed; the test goes on without it")
        return otherwise(Reason.READER_UNAVAILABLE)
    return found


_UNKNOWN = (
    "kind", "speed_mbps", "duplex", "mtu", "usb_mbps", "carrier_changes", "eee", "driver", "driver_version",
    "firmware_version",
)  # fmt: skip


def _unknown_interface(name: str, reason: Reason) -> InterfaceFacts:
    nothing: dict[str, Any] = dict.fromkeys(_UNKNOWN)
    return InterfaceFacts(name=name, why=dict.fromkeys(_UNKNOWN, reason.value), **nothing)
