"""The interface that carries the test: what kind it is, and what limits it. Slow facts, read before and after a test.

Linux: sysfs and the ethtool ioctl. macOS and Windows: psutil, the names of the link reader's Wi-Fi interfaces where the
caller has them, and otherwise rules of names. Those rules are common practice without a source:

    macOS      utun*, ipsec*, ppp*, gif*, stf*: tunnel;  lo*, awdl*, llw*, bridge*: other;  en*: Wi-Fi or Ethernet,
               which the name does not tell
    Windows    "Wi-Fi...", "WLAN...", "Wireless...": Wi-Fi;  "Ethernet...": Ethernet (names can be changed by people)

Never raises. May import sitetest_wire, psutil, observe and the standard library only.
"""

import errno
import struct
import sys
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import psutil

from sitetest.observe.link.reasons import Reason
from sitetest.observe.linux_interface import is_wifi, usb_mbps_of
from sitetest_wire import ethtool
from sitetest_wire.wired_link import SYSFS_NET, wired_link

_ARPHRD_ETHER = 1  # linux/if_arp.h, as are the next two lines
_TUNNEL_TYPES = frozenset({512, 768, 769, 776, 778, 823, 65534})
"""PPP, IPv4 and IPv6 in IPv4 or IPv6, SIT, GRE over either, none (tun, WireGuard)."""
_IFF_POINTOPOINT = 0x10  # linux/if.h
_DEVTYPES = {
    "wlan": "wifi",
    "wwan": "other",
    "bridge": "other",
    "bond": "other",
    "ppp": "tunnel",
    "wireguard": "tunnel",
}

Value = TypeVar("Value")


class InterfaceKind(StrEnum):
    """What an interface is. ``OTHER``: loopback, a bridge or bond (which may hold anything), a mobile modem."""

    WIFI = "wifi"
    ETHERNET = "ethernet"
    TUNNEL = "tunnel"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class InterfaceFacts:
    """kind: see InterfaceKind. speed_mbps, duplex: of a wired link. mtu: bytes of an IP packet. usb_mbps: speed of the
    USB port that it is plugged into. carrier_changes: how often the link came or went since start; a difference is a
    flap. eee: Energy-Efficient Ethernet is in use. driver, driver_version, firmware_version: as the driver names them.
    why: a reason for each None."""

    name: str
    kind: InterfaceKind | None
    speed_mbps: int | None
    duplex: str | None
    mtu: int | None
    usb_mbps: int | None
    carrier_changes: int | None
    eee: bool | None
    driver: str | None
    driver_version: str | None
    firmware_version: str | None
    why: Mapping[str, str] = field(default_factory=dict)


NOT_USB = "not_usb"


def interface_facts(
    name: str,
    *,
    sysfs_net: Path = SYSFS_NET,
    ask: ethtool.Ask = ethtool.ask,
    stats: Callable[[], Mapping[str, Any]] = psutil.net_if_stats,
    wifi_names: Collection[str] | None = None,
    platform: str = sys.platform,
) -> InterfaceFacts:
    """Read what can be known about an interface.

    stats: psutil's. wifi_names: the Wi-Fi interfaces as the link reader knows them; None where it does not.
    """
    why: dict[str, str] = {}

    def known(field_name: str, value: Value | None, reason: str) -> Value | None:
        if value is None:
            why[field_name] = reason
        return value

    entry = _psutil_entry(stats, name)
    link = wired_link(
        name,
        from_system=lambda: None if entry is None else (entry.speed, _duplex(entry.duplex)),
        sysfs_net=sysfs_net, ask=ask, platform=platform,
    )  # fmt: skip
    linux = platform == "linux"
    folder = sysfs_net / name
    gone = (linux and not folder.exists()) or (not linux and entry is None)
    missing = Reason.NO_SUCH_INTERFACE if gone else Reason.NOT_REPORTED_BY_DRIVER
    elsewhere = missing if linux else Reason.NOT_SUPPORTED_BY_OS
    if linux:
        kind = _linux_kind(folder, wifi_names or ())
        driver, reason_driver = _asked(lambda: ethtool.driver_info(name, ask), elsewhere)
        eee, reason_eee = _asked(lambda: ethtool.eee_active(name, ask), elsewhere)
        usb, flaps = usb_mbps_of(name, sysfs_net), _number(folder / "carrier_changes")
    else:
        kind = kind_by_name(name, platform, wifi_names)
        driver, eee, usb, flaps = None, None, None, None
        reason_driver = reason_eee = str(elsewhere)
    told = driver or ethtool.DriverInfo(None, None, None)
    return InterfaceFacts(
        name=name,
        kind=known("kind", kind, missing),
        speed_mbps=known("speed_mbps", link.speed_mbps, missing if gone else link.why.get("speed_mbps", missing)),
        duplex=known("duplex", link.duplex, missing if gone else link.why.get("duplex", missing)),
        mtu=known("mtu", entry.mtu if entry is not None and entry.mtu > 0 else None, missing),
        usb_mbps=known("usb_mbps", usb, NOT_USB if linux and not gone else elsewhere),
        carrier_changes=known("carrier_changes", flaps, elsewhere),
        eee=known("eee", eee, reason_eee),
        driver=known("driver", told.driver, reason_driver),
        driver_version=known("driver_version", told.version, reason_driver),
        firmware_version=known("firmware_version", told.firmware, reason_driver),
        why=why,
    )


def kind_by_name(name: str, platform: str, wifi_names: Collection[str] | None) -> InterfaceKind | None:
    """Return the kind on a system without sysfs, by what the link reader knows and then by name; None: not told."""
    if wifi_names is not None and name in wifi_names:
        return InterfaceKind.WIFI
    rules: dict[InterfaceKind, tuple[str, ...]] = {}
    if platform == "darwin":
        rules = {
            InterfaceKind.TUNNEL: ("utun", "ipsec", "ppp", "gif", "stf"),
            InterfaceKind.OTHER: ("lo", "awdl", "llw", "bridge", "ap"),
        }
        if wifi_names is not None:
            rules[InterfaceKind.ETHERNET] = ("en",)
    elif platform == "win32":
        rules = {
            InterfaceKind.WIFI: ("Wi-Fi", "WLAN", "Wireless"),
            InterfaceKind.ETHERNET: ("Ethernet",),
            InterfaceKind.OTHER: ("Loopback",),
        }
    for kind, starts in rules.items():
        if name.startswith(starts):
            return kind
    return None


def _linux_kind(folder: Path, wifi_names: Collection[str]) -> InterfaceKind | None:
    hardware = _number(folder / "type")
    if hardware is None:
        return None
    if folder.name in wifi_names or is_wifi(folder.name, folder.parent):
        return InterfaceKind.WIFI
    flags = _number(folder / "flags") or 0
    if hardware in _TUNNEL_TYPES or (folder / "tun_flags").exists() or flags & _IFF_POINTOPOINT:
        return InterfaceKind.TUNNEL
    devtype = _devtype(folder)
    if devtype in _DEVTYPES:
        return InterfaceKind(_DEVTYPES[devtype])
    return InterfaceKind.ETHERNET if hardware == _ARPHRD_ETHER else InterfaceKind.OTHER


def _devtype(folder: Path) -> str:
    try:
        lines = (folder / "uevent").read_text().splitlines()
    except OSError:
        return ""
    return next((line.partition("=")[2] for line in lines if line.startswith("DEVTYPE=")), "")


def _number(file: Path) -> int | None:
    try:
        return int(file.read_text().strip(), 0)
    except (OSError, ValueError):
        return None


def _asked(question: Callable[[], Value], otherwise: str) -> tuple[Value | None, str]:
    try:
        return question(), otherwise
    except OSError as problem:
        return None, Reason.NEEDS_ROOT if problem.errno in (errno.EPERM, errno.EACCES) else otherwise
    except (NotImplementedError, struct.error):
        return None, Reason.PARSE_ERROR


def _psutil_entry(stats: Callable[[], Mapping[str, Any]], name: str) -> Any | None:
    try:
        return stats().get(name)
    except (OSError, psutil.Error):
        return None


def _duplex(told: Any) -> str | None:
    return {psutil.NIC_DUPLEX_FULL: "full", psutil.NIC_DUPLEX_HALF: "half"}.get(told)
