"""Speed and duplex of an interface, or why they are not known.

Linux: the ethtool ioctl, else sysfs. Elsewhere: what psutil says, which the caller passes in. A Wi-Fi interface has
neither; Linux then says 0 or -1, which is not known and never a speed. May import this package and the standard library
only.
"""

import struct
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sitetest_wire import ethtool

SYSFS_NET = Path("/sys/class/net")
MOST_MBPS = 1_000_000
_UNKNOWN_AS_16_BIT = 65_535
"""-1 as some systems give it."""

NOT_REPORTED = "not_reported_by_driver"
NO_SUCH_INTERFACE = "no_such_interface"


@dataclass(frozen=True, slots=True)
class WiredLink:
    """speed_mbps: as the two ends agreed. duplex: "full" or "half". autonegotiation: None where not told.

    why: for each of the three that is None, the reason code.
    """

    speed_mbps: int | None
    duplex: str | None
    autonegotiation: bool | None
    why: Mapping[str, str] = field(default_factory=dict)


def wired_link(
    interface: str,
    *,
    from_system: Callable[[], tuple[int, str | None] | None],
    sysfs_net: Path = SYSFS_NET,
    ask: ethtool.Ask = ethtool.ask,
    platform: str = sys.platform,
) -> WiredLink:
    """Return speed and duplex of an interface. Never raises.

    from_system: what psutil's ``net_if_stats`` says: speed in Mbit/s (0: not known) and "full", "half" or None; None
    for an interface that it does not list.
    """
    if platform == "linux":
        try:
            told = ethtool.link_settings(interface, ask)
        except (OSError, NotImplementedError, struct.error):
            return _link(_sysfs_speed(sysfs_net / interface), _sysfs_duplex(sysfs_net / interface), None)
        return _link(told.speed_mbps, told.duplex, told.autonegotiation)
    known = from_system()
    if known is None:
        return WiredLink(
            None, None, None, dict.fromkeys(("speed_mbps", "duplex", "autonegotiation"), NO_SUCH_INTERFACE)
        )
    return _link(known[0], known[1], None)


def _link(speed_mbps: int | None, duplex: str | None, autonegotiation: bool | None) -> WiredLink:
    if speed_mbps is not None and (not 0 < speed_mbps <= MOST_MBPS or speed_mbps == _UNKNOWN_AS_16_BIT):
        speed_mbps = None
    if duplex not in ("full", "half"):
        duplex = None
    values = {"speed_mbps": speed_mbps, "duplex": duplex, "autonegotiation": autonegotiation}
    return WiredLink(
        speed_mbps, duplex, autonegotiation, {name: NOT_REPORTED for name, value in values.items() if value is None}
    )


def _sysfs_speed(folder: Path) -> int | None:
    try:
        return int((folder / "speed").read_text().strip())
    except (OSError, ValueError):  # EINVAL is how the kernel says that the interface is down
        return None


def _sysfs_duplex(folder: Path) -> str | None:
    try:
        return (folder / "duplex").read_text().strip()
    except OSError:
        return None
