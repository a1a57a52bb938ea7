"""The wired machine second by second while a lease is active, on the clock of the lease's samples.

    lease starts ...... began(): zero of the samples ...... told(): the transfer is over
         one reading a second     |    one a second from here    |  one more

Never raises for what the system does not tell. May import sitetest_wire, host_facts and the standard library only.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from sitetest_server.host_facts import (
    HostFacts,
    HostLoad,
    HostSources,
    interface_with,
    link_of,
    system_sources,
)
from sitetest_wire.messages import ServerHost, ServerSecond
from sitetest_wire.wired_link import WiredLink

PERIOD_S = 1.0
"""One reading a second: what an attempt is looked at by."""

SHORTEST_S = 0.1
"""A shorter reading is dropped: a core's time is counted in ticks of a hundredth of a second (proc(5))."""


class Timer(Protocol):
    """What asyncio's ``call_later`` gives."""

    def cancel(self) -> None:
        """Do not call."""


def _call_later(delay_s: float, callback: Callable[[], Any]) -> Timer:
    return asyncio.get_running_loop().call_later(delay_s, callback)


@dataclass(frozen=True, slots=True)
class Machine:
    """Where the facts come from, and whoever calls when a reading is due; replaced in tests."""

    sources: HostSources
    interface_with: Callable[[str], str | None] = interface_with
    link_of: Callable[[str], WiredLink] = link_of
    call_later: Callable[[float, Callable[[], Any]], Timer] = _call_later


def this_machine() -> Machine:
    """Return the machine that we run on; its clock is ``time.monotonic``."""
    return Machine(system_sources())


class HostWatch:
    """One lease's watch. Reads from its making on, until :meth:`told`.

    local_address: this machine's end of the connection that asked for the lease; None when it is not known.
    """

    def __init__(self, machine: Machine, local_address: str | None) -> None:
        self._machine = machine
        self._zero_s: float | None = None
        self._told: ServerHost | None = None
        self._read_from(None if local_address is None else machine.interface_with(local_address))
        self._due_s = machine.sources.clock() + PERIOD_S
        self._timer = machine.call_later(PERIOD_S, self._tick)

    def began(self, zero_s: float, local_address: str | None) -> None:
        """Note that the samples count from ``zero_s`` (the sources' clock) on, and which address the payload uses.

        Only the first call counts. When the payload uses another interface than the lease's request did, what was read
        before is dropped.
        """
        if self._zero_s is not None or self._told is not None:
            return
        self._zero_s = zero_s
        interface = None if local_address is None else self._machine.interface_with(local_address)
        if interface is not None and interface != self._interface:
            self._read_from(interface)
        else:
            self._take()
        self._due_s = zero_s + PERIOD_S
        self._wait()

    def told(self) -> ServerHost:
        """Stop reading and return what was seen; the same again when asked again. No seconds when nothing began."""
        if self._told is None:
            self._timer.cancel()
            self._take()
            zero_s = self._zero_s
            self._told = ServerHost(
                interface=self._interface,
                speed_mbps=None if self._link is None else self._link.speed_mbps,
                duplex=None if self._link is None else self._link.duplex,
                seconds=() if zero_s is None else tuple(_second(load, zero_s) for load in self._loads),
            )
        return self._told

    def _read_from(self, interface: str | None) -> None:
        self._interface = interface
        self._link = None if interface is None else self._machine.link_of(interface)
        self._facts = HostFacts(interface, sources=self._machine.sources)
        self._loads: list[HostLoad] = []

    def _tick(self) -> None:
        self._take()
        now_s = self._machine.sources.clock()
        self._due_s += max(PERIOD_S, (now_s - self._due_s) // PERIOD_S * PERIOD_S + PERIOD_S)
        self._wait()

    def _wait(self) -> None:
        self._timer.cancel()
        self._timer = self._machine.call_later(max(self._due_s - self._machine.sources.clock(), 0.0), self._tick)

    def _take(self) -> None:
        load = self._facts.load()
        if load.length_s >= SHORTEST_S:
            self._loads.append(load)


def _second(load: HostLoad, zero_s: float) -> ServerSecond:
    def tenths(share_pct: float | None) -> float | None:
        return None if share_pct is None else round(share_pct, 1)

    return ServerSecond(
        at_s=round(load.at_s - zero_s, 3),
        length_s=round(load.length_s, 3),
        busiest_core_pct=tenths(load.busiest_core_pct),
        mean_core_pct=tenths(load.mean_core_pct),
        received_bytes=load.received_bytes,
        sent_bytes=load.sent_bytes,
    )
