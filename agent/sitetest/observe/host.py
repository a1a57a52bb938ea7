"""The laptop, once a second beside the link: cores, this program's own share, the interface's bytes, power, clocks.

    reader = HostReader(interface)
    reader.prime()                    # just before the first byte: what follows counts from here
    sample = reader.sample()          # once a second; 0.1 to 0.6 ms (measured)

Never raises and never waits: whatever goes wrong is a None with its reason. May import sitetest_wire, psutil, observe
and the standard library only.
"""

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import psutil

from sitetest.observe.clocks import ClockEvent, Instant, clock_events, instant_reader, slept_s
from sitetest.observe.link.reasons import Reason
from sitetest.observe.power import Power, linux_saver, read_power, saver_reader
from sitetest_wire.core_load import CoreTimes, core_load, core_times
from sitetest_wire.interface_traffic import WRAP_32_BIT, InterfaceBytes, bytes_between

PERIOD_S = 1.0


@dataclass(frozen=True, slots=True)
class HostSample:
    """What happened since the sample before it (or since :meth:`HostReader.prime`).

    at_s: monotonic clock, at its end. length_s: seconds covered. busiest_core_pct, mean_core_pct: 0 to 100.
    agent_pct: this program's own time, in per cent of one core (above 100 with several threads); child processes not
    counted. received_bytes, sent_bytes: of the interface, all traffic. slept_s: 0 for none. events: of the clocks.
    cost_ms: what reading took. why: a reason for each None.
    """

    at_s: float
    length_s: float
    busiest_core_pct: float | None
    mean_core_pct: float | None
    agent_pct: float | None
    received_bytes: int | None
    sent_bytes: int | None
    plugged: bool | None
    battery_pct: float | None
    saver: bool | None
    slept_s: float | None
    events: tuple[ClockEvent, ...]
    cost_ms: float
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class HostSources:
    """Where the facts come from; replaced in tests. counters: bytes of an interface, KeyError for an unknown one."""

    cores: Callable[[], Sequence[CoreTimes]]
    counters: Callable[[str], InterfaceBytes]
    own_cpu_s: Callable[[], float]
    power: Callable[[], Power]
    instant: Callable[[], Instant]
    monotonic_s: Callable[[], float]
    wrap: int | None = None


@dataclass(frozen=True, slots=True)
class _Reading:
    at_s: float
    own_cpu_s: float
    instant: Instant
    cores: Sequence[CoreTimes] | None
    counters: InterfaceBytes | None
    counters_why: str | None


class HostReader:
    """See the module's docstring. interface: name; None when it is not known, and bytes are then null."""

    def __init__(
        self, interface: str | None, *, sources: HostSources | None = None, period_s: float = PERIOD_S
    ) -> None:
        self._interface = interface
        self._sources = sources or system_sources()
        self._period_s = period_s
        self._last: _Reading | None = None

    def prime(self) -> None:
        """Take the reading from which the first sample counts."""
        self._last = self._read()

    def sample(self) -> HostSample:
        """Return what happened since the last call. Without a reading before it, everything that is a difference is
        null as ``not_sampled``."""
        began_s = self._sources.monotonic_s()
        before, now = self._last, self._read()
        self._last = now
        why: dict[str, str] = {}
        power = self._sources.power()
        why |= power.why
        if before is None:
            why |= dict.fromkeys(_DIFFERENCES, Reason.NOT_SAMPLED)
            facts: dict[str, Any] = dict.fromkeys(_DIFFERENCES)
            length_s, events = 0.0, tuple[ClockEvent, ...]()
        else:
            length_s = now.at_s - before.at_s
            facts = self._differences(before, now, length_s, why)
            events = clock_events(before.instant, now.instant, self._period_s)
        return HostSample(
            at_s=now.at_s,
            length_s=length_s,
            plugged=power.plugged,
            battery_pct=power.battery_pct,
            saver=power.saver,
            events=events,
            cost_ms=(self._sources.monotonic_s() - began_s) * 1e3,
            why=why,
            **facts,
        )

    def _differences(self, before: _Reading, now: _Reading, length_s: float, why: dict[str, str]) -> dict[str, Any]:
        load = None if before.cores is None or now.cores is None else core_load(before.cores, now.cores)
        if load is None:
            why |= dict.fromkeys(("busiest_core_pct", "mean_core_pct"), Reason.NOT_SUPPORTED_BY_OS)
        moved = None
        if before.counters is not None and now.counters is not None:
            moved = bytes_between(before.counters, now.counters, wrap=self._sources.wrap)
        if moved is None:
            reason = now.counters_why or before.counters_why or Reason.INVALID_VALUE
            why |= dict.fromkeys(("received_bytes", "sent_bytes"), reason)
        slept = slept_s(before.instant, now.instant)
        if slept is None:
            why["slept_s"] = Reason.NOT_SUPPORTED_BY_OS
        if length_s <= 0:
            why["agent_pct"] = Reason.INVALID_VALUE
        return {
            "busiest_core_pct": None if load is None else load.busiest_pct,
            "mean_core_pct": None if load is None else load.mean_pct,
            "agent_pct": 100 * (now.own_cpu_s - before.own_cpu_s) / length_s if length_s > 0 else None,
            "received_bytes": None if moved is None else moved.received,
            "sent_bytes": None if moved is None else moved.sent,
            "slept_s": slept,
        }

    def _read(self) -> _Reading:
        sources = self._sources
        counters: InterfaceBytes | None = None
        why: str | None = Reason.NO_SUCH_INTERFACE
        if self._interface is not None:
            try:
                counters, why = sources.counters(self._interface), None
            except KeyError:
                pass
            except (OSError, ValueError, psutil.Error):
                why = Reason.READER_UNAVAILABLE
        try:
            cores: Sequence[CoreTimes] | None = sources.cores()
        except (OSError, ValueError, psutil.Error):
            cores = None
        return _Reading(sources.monotonic_s(), sources.own_cpu_s(), sources.instant(), cores, counters, why)


_DIFFERENCES = ("busiest_core_pct", "mean_core_pct", "agent_pct", "received_bytes", "sent_bytes", "slept_s")


def system_sources(platform: str = sys.platform) -> HostSources:
    """Return this system's own sources.

    On macOS the saver mode is asked of a program once, here, and not every second.
    """
    if platform == "darwin":
        saving = saver_reader(platform)()
        power: Callable[[], Power] = partial(read_power, saver=lambda: saving)
    else:
        power = partial(read_power, saver=linux_saver if platform == "linux" else saver_reader(platform))
    return HostSources(
        cores=lambda: [core_times(entry) for entry in psutil.cpu_times(percpu=True)],
        counters=interface_bytes,
        own_cpu_s=time.process_time,
        power=power,
        instant=instant_reader(platform),
        monotonic_s=time.monotonic,
        wrap=WRAP_32_BIT if platform == "darwin" else None,
    )


def interface_bytes(interface: str) -> InterfaceBytes:
    """Read an interface's counters as the system gives them. Raises KeyError for an interface that it does not list.

    nowrap=False: psutil's own repair of wrapped counters adds a whole counter instead of a wrap of 2^32.
    """
    entry = psutil.net_io_counters(pernic=True, nowrap=False)[interface]
    return InterfaceBytes(entry.bytes_recv, entry.bytes_sent)
