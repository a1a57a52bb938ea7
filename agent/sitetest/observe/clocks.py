"""Did the laptop sleep, was a clock set, did everything stand still? Decided from three clocks.

    system    stops in sleep            runs on in sleep
    Linux     CLOCK_MONOTONIC           CLOCK_BOOTTIME           (PEP 418: the same but for sleep)
    macOS     CLOCK_UPTIME_RAW          CLOCK_MONOTONIC
    Windows   QueryUnbiasedInterruptTime  GetTickCount64

Where a system has only one of the two, sleep cannot be told, and that is said. Deciding is pure.
May import the standard library only.
"""

import ctypes
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

SLEPT_S = 0.25
"""Far above the difference that reading two clocks one after the other makes (31 us here), far below any real sleep."""

STEPPED_S = 0.25
"""A clock under NTP drifts 0.5 ms a second at most (RFC 5905)."""

STALLED_PERIODS = 3
"""A sample that comes later than so many periods shows that this program, or the whole machine, was held up."""


@dataclass(frozen=True, slots=True)
class Instant:
    """stopping_s: clock that stops in sleep. running_s: clock that does not; None where there is none. wall_s: Unix."""

    stopping_s: float
    running_s: float | None
    wall_s: float


class ClockEventKind(StrEnum):
    """``SUSPEND``: the laptop slept. ``CLOCK_STEP``: the wall clock was set. ``STALL``: nothing ran for a while."""

    SUSPEND = "suspend"
    CLOCK_STEP = "clock_step"
    STALL = "stall"


@dataclass(frozen=True, slots=True)
class ClockEvent:
    """seconds: how long it slept or stalled; by how much the clock was set (below 0: back)."""

    kind: ClockEventKind
    seconds: float


def slept_s(before: Instant, after: Instant) -> float | None:
    """Return the seconds of sleep in between, 0 for differences that reading makes; None where it cannot be told."""
    if before.running_s is None or after.running_s is None:
        return None
    slept = (after.running_s - before.running_s) - (after.stopping_s - before.stopping_s)
    return slept if slept > SLEPT_S else 0.0


def clock_events(before: Instant, after: Instant, period_s: float) -> tuple[ClockEvent, ...]:
    """Say what happened between two samples that should be ``period_s`` apart.

    Where sleep cannot be told, a sleep looks like a clock that was set forward, and is called that.
    """
    slept = slept_s(before, after)
    if slept:
        found = [ClockEvent(ClockEventKind.SUSPEND, slept)]
    elif after.stopping_s - before.stopping_s > STALLED_PERIODS * period_s:
        found = [ClockEvent(ClockEventKind.STALL, after.stopping_s - before.stopping_s)]
    else:
        found = []
    passed_s = (after.stopping_s - before.stopping_s) + (slept or 0.0)
    step_s = (after.wall_s - before.wall_s) - passed_s
    if abs(step_s) > STEPPED_S:
        found.append(ClockEvent(ClockEventKind.CLOCK_STEP, step_s))
    return tuple(found)


def instant_reader(platform: str = sys.platform) -> Callable[[], Instant]:
    """Return what reads this system's three clocks."""
    stopping, running = _clocks(platform)

    def read() -> Instant:
        return Instant(stopping(), None if running is None else running(), time.time())

    return read


def _clocks(platform: str) -> tuple[Callable[[], float], Callable[[], float] | None]:
    if platform == "linux" and hasattr(time, "CLOCK_BOOTTIME"):
        return time.monotonic, lambda: time.clock_gettime(time.CLOCK_BOOTTIME)
    if platform == "darwin" and hasattr(time, "CLOCK_UPTIME_RAW"):
        return (
            lambda: time.clock_gettime(time.CLOCK_UPTIME_RAW),
            lambda: time.clock_gettime(time.CLOCK_MONOTONIC),
        )
    if platform == "win32" and hasattr(ctypes, "WinDLL"):
        return _windows_clocks()
    return time.monotonic, None


def _windows_clocks() -> tuple[Callable[[], float], Callable[[], float] | None]:
    kernel32 = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined,unused-ignore]
    kernel32.GetTickCount64.restype = ctypes.c_ulonglong

    def unbiased_s() -> float:
        ticks = ctypes.c_ulonglong()
        kernel32.QueryUnbiasedInterruptTime(ctypes.byref(ticks))
        return ticks.value / 1e7  # units of 100 ns

    return unbiased_s, lambda: float(kernel32.GetTickCount64()) / 1e3
