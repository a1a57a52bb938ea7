"""Does the laptop run on its battery, and does it save energy? Both make it slower.

    battery, plugged   psutil, on every system
    saver              Linux: ACPI's platform profile ("low-power"); macOS: ``pmset -g`` (``lowpowermode``); Windows:
                       GetSystemPowerStatus (SystemStatusFlag, battery saver). Only Linux was tried.

Never raises. May import psutil, observe and the standard library only.
"""

import ctypes
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from sitetest.observe.link.reasons import Reason

PLATFORM_PROFILE = Path("/sys/firmware/acpi/platform_profile")
PMSET_LIMIT_S = 3.0
SENSORS_BATTERY: Callable[[], Any] | None = getattr(psutil, "sensors_battery", None)
"""psutil's; missing on systems for which it has none."""
SAVING_PROFILES = frozenset({"low-power", "quiet"})
"""Names of Linux's Documentation/ABI/testing/sysfs-platform_profile that trade speed for energy or silence."""


@dataclass(frozen=True, slots=True)
class Power:
    """plugged: on the mains. battery_pct: 0 to 100. saver: an energy-saving mode is on. why: a reason for each None;
    a computer without a battery is plugged, and its ``battery_pct`` is None as ``no_battery``."""

    plugged: bool | None
    battery_pct: float | None
    saver: bool | None
    why: Mapping[str, str] = field(default_factory=dict)


NO_BATTERY = "no_battery"


def read_power(
    *,
    battery: Callable[[], Any] | None = SENSORS_BATTERY,
    saver: Callable[[], bool | None] | None = None,
) -> Power:
    """Read it now. saver: None reads this system's; on macOS that runs a program, so not while a test runs."""
    why: dict[str, str] = {}
    plugged: bool | None = None
    battery_pct: float | None = None
    try:
        told = None if battery is None else battery()
    except (OSError, ValueError, RuntimeError):
        told, battery = None, None
    if battery is None:
        why |= {"plugged": Reason.NOT_SUPPORTED_BY_OS, "battery_pct": Reason.NOT_SUPPORTED_BY_OS}
    elif told is None:
        plugged = True
        why["battery_pct"] = NO_BATTERY
    else:
        plugged = told.power_plugged
        if plugged is None:
            why["plugged"] = Reason.NOT_REPORTED_BY_DRIVER
        if told.percent is not None and 0 <= told.percent <= 100:
            battery_pct = float(told.percent)
        else:
            why["battery_pct"] = Reason.INVALID_VALUE
    saving = (saver or saver_reader())()
    if saving is None:
        why["saver"] = Reason.NOT_SUPPORTED_BY_OS
    return Power(plugged, battery_pct, saving, why)


def saver_reader(platform: str = sys.platform) -> Callable[[], bool | None]:
    """Return what reads this system's saver mode; it returns None where the system does not tell."""
    return {"linux": linux_saver, "darwin": _macos_saver, "win32": _windows_saver}.get(platform, lambda: None)


def linux_saver(platform_profile: Path = PLATFORM_PROFILE) -> bool | None:
    """Read the platform profile; None where the firmware has none."""
    try:
        return platform_profile.read_text().strip() in SAVING_PROFILES
    except OSError:
        return None


def saver_of_pmset(output: str) -> bool | None:
    """Read ``pmset -g``: a line ``lowpowermode 0`` or ``1``; None when it has none."""
    for line in output.splitlines():
        words = line.split()
        if len(words) >= 2 and words[0] == "lowpowermode":
            return words[1] != "0"
    return None


def saver_of_windows(status: bytes) -> bool | None:
    """Read a SYSTEM_POWER_STATUS of 12 bytes: its fourth is SystemStatusFlag, 1 for battery saver on."""
    return None if len(status) < 4 else status[3] == 1


def _macos_saver() -> bool | None:
    try:
        done = subprocess.run(["pmset", "-g"], capture_output=True, text=True, timeout=PMSET_LIMIT_S, check=False)
    except (OSError, subprocess.SubprocessError):
        return None
    return saver_of_pmset(done.stdout)


def _windows_saver() -> bool | None:
    if not hasattr(ctypes, "WinDLL"):
        return None
    status = ctypes.create_string_buffer(12)
    kernel32 = ctypes.WinDLL("kernel32")  # type: ignore[attr-defined,unused-ignore]
    return saver_of_windows(status.raw) if kernel32.GetSystemPowerStatus(status) else None
