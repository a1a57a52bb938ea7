"""What Linux says about a network interface in its `/sys/class/net` folder.

May import sitetest_wire and the standard library only. Nothing here raises for a file that is missing.
"""

from pathlib import Path

from sitetest_wire.wired_link import SYSFS_NET


def is_wifi(interface: str, net: Path = SYSFS_NET) -> bool:
    """Whether the kernel's wireless layer knows the interface."""
    return (net / interface / "phy80211").exists() or (net / interface / "wireless").exists()


def driver_of(interface: str, net: Path = SYSFS_NET) -> str | None:
    """Return the name of the driver; None when there is no device behind the interface."""
    link = net / interface / "device" / "driver"
    try:
        return link.resolve(strict=True).name
    except OSError:
        return None


def usb_mbps_of(interface: str, net: Path = SYSFS_NET) -> int | None:
    """Return the speed in Mbit/s of the USB port above an interface's device; None when it is not on USB.

    480 is USB 2: it carries less than gigabit Ethernet, and than most Wi-Fi. (1.5 Mbit/s is rounded down.)
    """
    try:
        device = (net / interface / "device").resolve(strict=True)
        for place in (device, *device.parents):
            if (place / "idVendor").exists():
                return int(float((place / "speed").read_text().strip()))
            if place.name == "devices":
                return None
    except (OSError, ValueError):
        return None
    return None
