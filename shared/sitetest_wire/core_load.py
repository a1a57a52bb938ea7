"""How busy each processor core was between two readings of the system's own counters.

One core at its limit stops a transfer long before the mean of all cores shows it. Busy is user, nice, system, interrupt
and soft interrupt; waiting for a disk is not, and neither is time that a hypervisor gave to others. Counters that
repeat others are left out: guest is in user (Linux), interrupt and dpc are in system (Windows, from memory).

Pure. May import the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

_BUSY = ("user", "nice", "system", "irq", "softirq")
_NOT_BUSY = ("idle", "iowait", "steal")


@dataclass(frozen=True, slots=True)
class CoreTimes:
    """Seconds since the system started, of one core."""

    busy_s: float
    total_s: float


@dataclass(frozen=True, slots=True)
class CoreLoad:
    """Per cent of one core's time, 0 to 100: of the busiest core, and the mean of all."""

    busiest_pct: float
    mean_pct: float


def core_times(entry: object) -> CoreTimes:
    """Read one entry of psutil's ``cpu_times(percpu=True)``, or anything with its names; a name that is not there
    counts nothing on this system."""
    busy_s = sum(float(getattr(entry, name, 0.0)) for name in _BUSY)
    return CoreTimes(busy_s, busy_s + sum(float(getattr(entry, name, 0.0)) for name in _NOT_BUSY))


def core_load(before: Sequence[CoreTimes], after: Sequence[CoreTimes]) -> CoreLoad | None:
    """Return the load between two readings; None when the cores are not the same, or no time has passed on any.

    A counter that went back (some kernels do that with iowait, and after a core was taken offline) counts as no time.
    """
    if len(before) != len(after):
        return None
    shares = []
    for old, new in zip(before, after, strict=True):
        total_s = new.total_s - old.total_s
        if total_s > 0:
            shares.append(min(max(new.busy_s - old.busy_s, 0.0) / total_s, 1.0))
    if not shares:
        return None
    return CoreLoad(busiest_pct=100 * max(shares), mean_pct=100 * sum(shares) / len(shares))
