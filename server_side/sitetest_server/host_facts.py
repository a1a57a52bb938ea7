"""Facts about the wired machine that could explain a figure: its cores, its interface, what else goes over it.

Never raises: what the system does not tell is None. Reading costs some 0.3 ms, nearly all of it psutil's.
May import sitetest_wire, psutil and the standard library only.
"""

import socket
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import psutil

from sitetest_wire.core_load import CoreTimes, core_load, core_times
from sitetest_wire.interface_traffic import WRAP_32_BIT, InterfaceBytes, bytes_between
from sitetest_wire.local_interface import OwnAddress, interface_of
from sitetest_wire.wired_link import WiredLink, wired_link


@dataclass(frozen=True, slots=True)
class HostLoad:
    """Since the last reading of the same HostFacts. at_s: monotonic clock, at its end. length_s: seconds covered.

    busiest_core_pct, mean_core_pct: 0 to 100; server_pct: this process in per cent of one core (workers of engines are
    processes of their own and not in it). received_bytes, sent_bytes: of the interface, all traffic. None: not told.
    """

    at_s: float
    length_s: float
    busiest_core_pct: float | None
    mean_core_pct: float | None
    server_pct: float | None
    received_bytes: int | None
    sent_bytes: int | None


@dataclass(frozen=True, slots=True)
class HostSources:
    """Where the facts come from; replaced in tests."""

    cores: Callable[[], Sequence[CoreTimes]]
    counters: Callable[[], Mapping[str, InterfaceBytes]]
    cpu_s: Callable[[], float]
    clock: Callable[[], float]
    wrap: int | None = None


class HostFacts:
    """The machine during one lease. interface: name; None when it is not known. Counts from its making on."""

    def __init__(self, interface: str | None, *, sources: HostSources | None = None) -> None:
        self._interface = interface
        self._sources = sources or system_sources()
        self._last = self._read()

    def load(self) -> HostLoad:
        """Return what happened since the last call, or since this was made."""
        (at_s, cpu_s, cores, counters), before = self._read(), self._last
        self._last = (at_s, cpu_s, cores, counters)
        length_s = at_s - before[0]
        load = None if cores is None or before[2] is None else core_load(before[2], cores)
        moved = None
        if counters is not None and before[3] is not None:
            moved = bytes_between(before[3], counters, wrap=self._sources.wrap)
        return HostLoad(
            at_s=at_s,
            length_s=length_s,
            busiest_core_pct=None if load is None else load.busiest_pct,
            mean_core_pct=None if load is None else load.mean_pct,
            server_pct=100 * (cpu_s - before[1]) / length_s if length_s > 0 else None,
            received_bytes=None if moved is None else moved.received,
            sent_bytes=None if moved is None else moved.sent,
        )

    def _read(self) -> tuple[float, float, Sequence[CoreTimes] | None, InterfaceBytes | None]:
        sources = self._sources
        try:
            cores: Sequence[CoreTimes] | None = sources.cores()
        except (OSError, ValueError, psutil.Error):
            cores = None
        counters = None
        if self._interface is not None:
            try:
                counters = sources.counters().get(self._interface)
            except (OSError, ValueError, psutil.Error):
                counters = None
        return sources.clock(), sources.cpu_s(), cores, counters


def system_sources(platform: str = sys.platform) -> HostSources:
    """Return this system's own sources. nowrap=False: psutil's own repair of wrapped counters is wrong on macOS."""

    def counters() -> dict[str, InterfaceBytes]:
        listed = psutil.net_io_counters(pernic=True, nowrap=False)
        return {name: InterfaceBytes(entry.bytes_recv, entry.bytes_sent) for name, entry in listed.items()}

    return HostSources(
        cores=lambda: [core_times(entry) for entry in psutil.cpu_times(percpu=True)],
        counters=counters,
        cpu_s=time.process_time,
        clock=time.monotonic,
        wrap=WRAP_32_BIT if platform == "darwin" else None,
    )


def interface_with(local_address: str, addresses: Callable[[], Mapping[str, Any]] = psutil.net_if_addrs) -> str | None:
    """Return the interface that a connection uses, from its socket's local address; None when it cannot be told."""
    try:
        listed = addresses()
    except (OSError, psutil.Error):
        return None
    own = {
        name: [OwnAddress(entry.address) for entry in entries if entry.family in (socket.AF_INET, socket.AF_INET6)]
        for name, entries in listed.items()
    }
    return interface_of(local_address, own)


def link_of(interface: str, stats: Callable[[], Mapping[str, Any]] = psutil.net_if_stats) -> WiredLink:
    """Return speed and duplex of an interface of this machine."""

    def from_system() -> tuple[int, str | None] | None:
        try:
            entry = stats().get(interface)
        except (OSError, psutil.Error):
            return None
        names = {psutil.NIC_DUPLEX_FULL: "full", psutil.NIC_DUPLEX_HALF: "half"}
        return None if entry is None else (entry.speed, names.get(entry.duplex))

    return wired_link(interface, from_system=from_system)
