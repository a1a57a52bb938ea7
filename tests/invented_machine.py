"""A wired machine with an invented clock, cores, interfaces and alarm, for tests of what the server tells of its own.

May import the server, sitetest_wire and the standard library.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sitetest_server.host_facts import HostSources
from sitetest_server.host_watch import HostWatch, Machine
from sitetest_wire.core_load import CoreTimes
from sitetest_wire.interface_traffic import InterfaceBytes
from sitetest_wire.wired_link import WiredLink

ADDRESSES = {"192.0.2.1": "eth0", "198.51.100.1": "eth1"}
LINKS = {"eth0": WiredLink(1000, "full", True), "eth1": WiredLink(100, "half", True)}


@dataclass(slots=True)
class Alarm:
    """One call that is due; see asyncio's ``call_later``."""

    due_s: float
    callback: Callable[[], Any]
    cancelled: bool = False

    def cancel(self) -> None:
        """Do not call."""
        self.cancelled = True


@dataclass(slots=True)
class InventedMachine:
    """busy: share of time that each core works. bytes_per_s: that each interface receives; it sends half as much."""

    now_s: float = 100.0
    busy: tuple[float, ...] = (0.25, 0.75)
    bytes_per_s: dict[str, int] = field(default_factory=lambda: {"eth0": 1000, "eth1": 60})
    alarms: list[Alarm] = field(default_factory=list)
    _busy_s: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _bytes: dict[str, float] = field(default_factory=dict)

    def clock(self) -> float:
        """Seconds."""
        return self.now_s

    def machine(self) -> Machine:
        """What the server reads."""
        return Machine(
            HostSources(cores=self._cores, counters=self._counters, cpu_s=lambda: 0.0, clock=self.clock),
            interface_with=ADDRESSES.get,
            link_of=LINKS.__getitem__,
            call_later=self._call_later,
        )

    def watch(self, local_address: str | None = "192.0.2.1") -> HostWatch:
        """A watch on this machine."""
        return HostWatch(self.machine(), local_address)

    def pass_time(self, seconds: float, late_s: float = 0.0) -> None:
        """Let time pass; alarms go off in their order, each ``late_s`` late."""
        until_s = self.now_s + seconds
        while True:
            due = [alarm for alarm in self.alarms if not alarm.cancelled and alarm.due_s + late_s <= until_s + 1e-9]
            if not due:
                break
            first = min(due, key=lambda alarm: alarm.due_s)
            self.alarms.remove(first)
            self._to(max(first.due_s + late_s, self.now_s))
            first.callback()
        self._to(until_s)

    def _to(self, now_s: float) -> None:
        passed_s = now_s - self.now_s
        self.now_s = now_s
        self._busy_s = [spent + passed_s * share for spent, share in zip(self._busy_s, self.busy, strict=True)]
        for name, rate in self.bytes_per_s.items():
            self._bytes[name] = self._bytes.get(name, 0.0) + passed_s * rate

    def _cores(self) -> list[CoreTimes]:
        return [CoreTimes(busy_s, self.now_s) for busy_s in self._busy_s]

    def _counters(self) -> Mapping[str, InterfaceBytes]:
        counts = {name: round(self._bytes.get(name, 0.0)) for name in self.bytes_per_s}
        return {name: InterfaceBytes(count, count // 2) for name, count in counts.items()}

    def _call_later(self, delay_s: float, callback: Callable[[], Any]) -> Alarm:
        self.alarms.append(Alarm(self.now_s + delay_s, callback))
        return self.alarms[-1]
