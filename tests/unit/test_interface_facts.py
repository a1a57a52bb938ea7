"""The interface that carries the test, from sysfs trees and ethtool answers in the documented shapes."""

import errno
import struct
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psutil
import pytest

from sitetest.observe.interface import NOT_USB, InterfaceFacts, InterfaceKind, interface_facts, kind_by_name
from sitetest.observe.link.reasons import Reason
from sitetest.observe.linux_interface import usb_mbps_of
from sitetest_wire import ethtool
from sitetest_wire.wired_link import wired_link

WORDS = 4


def ethtool_of(speed: int = 1000, duplex: int = 1, eee: int | None = 1, driver: bytes = b"tinynic") -> ethtool.Ask:
    """A driver that answers in the structures of Linux include/uapi/linux/ethtool.h."""

    def ask(_interface: str, request: bytes) -> bytes:
        command = int.from_bytes(request[:4], "little")
        if command == 0x4C:
            asked_words = struct.unpack_from("=b", request, 15)[0]
            head = struct.pack("=IIBBBBBBB", 0x4C, speed if asked_words else 0, duplex, 0, 0, 1, 0, 0, 0)
            body = head + struct.pack("=b", WORDS if asked_words else -WORDS) + bytes(len(request) - 16)
            assert len(body) == len(request) == 48 + 12 * asked_words
            return body
        if command == 0x44 and eee is not None:
            return struct.pack("=10I", 0x44, 0, 0, 0, eee, 1, 0, 0, 0, 0)
        if command == 3:
            return struct.pack("=I32s32s32s32s32s12x5I", 3, driver, b"1.2", b"N/A", b"usb-1", b"", 0, 0, 0, 0, 0)
        raise OSError(errno.EOPNOTSUPP, "not supported")

    return ask


def no_ethtool(_interface: str, _request: bytes) -> bytes:
    raise OSError(errno.EOPNOTSUPP, "not supported")


def sysfs(tmp_path: Path, name: str, /, **files: str) -> Path:
    folder = tmp_path / "net" / name
    folder.mkdir(parents=True)
    for file, text in {"type": "1", "flags": "0x1003", "uevent": "", "carrier_changes": "2", **files}.items():
        (folder / file).write_text(text + "\n")
    return tmp_path / "net"


def stats(**entries: Any) -> Callable[[], dict[str, Any]]:
    return lambda: entries


def entry(speed: int = 0, duplex: int = psutil.NIC_DUPLEX_UNKNOWN, mtu: int = 1500) -> Any:
    return SimpleNamespace(isup=True, speed=speed, duplex=duplex, mtu=mtu)


def nulls_have_reasons(facts: InterfaceFacts) -> None:
    assert {name for name in facts.__slots__ if getattr(facts, name) is None} == set(facts.why)


def test_a_wired_interface_on_linux(tmp_path: Path) -> None:
    root = sysfs(tmp_path, "eth0")
    facts = interface_facts("eth0", sysfs_net=root, ask=ethtool_of(), stats=stats(eth0=entry()), platform="linux")
    assert facts.kind is InterfaceKind.ETHERNET
    assert (facts.speed_mbps, facts.duplex, facts.mtu, facts.eee) == (1000, "full", 1500, True)
    assert (facts.driver, facts.driver_version, facts.firmware_version) == ("tinynic", "1.2", None)
    assert facts.carrier_changes == 2
    assert facts.why["usb_mbps"] == NOT_USB
    nulls_have_reasons(facts)


def test_sysfs_speaks_where_ethtool_does_not(tmp_path: Path) -> None:
    root = sysfs(tmp_path, "eth0", speed="100", duplex="half")
    facts = interface_facts("eth0", sysfs_net=root, ask=no_ethtool, stats=stats(eth0=entry()), platform="linux")
    assert (facts.speed_mbps, facts.duplex) == (100, "half")
    assert facts.why["eee"] == Reason.NOT_REPORTED_BY_DRIVER
    nulls_have_reasons(facts)


@pytest.mark.parametrize("speed", ["-1", "0", "65535", "4294967295", "nonsense"])
def test_no_speed_is_never_a_figure(tmp_path: Path, speed: str) -> None:
    """virtio says -1 (measured); Wi-Fi 0; psutil 65535 on some systems (reported)."""
    root = sysfs(tmp_path, "eth0", speed=speed, duplex="unknown")
    link = wired_link("eth0", from_system=lambda: None, sysfs_net=root, ask=no_ethtool, platform="linux")
    assert (link.speed_mbps, link.duplex) == (None, None)
    assert set(link.why) == {"speed_mbps", "duplex", "autonegotiation"}


def test_ethtools_own_unknowns() -> None:
    """SPEED_UNKNOWN is -1 and DUPLEX_UNKNOWN 0xff in linux/ethtool.h."""
    told = ethtool.link_settings("eth0", ethtool_of(speed=0xFFFFFFFF, duplex=0xFF))
    assert (told.speed_mbps, told.duplex, told.autonegotiation) == (None, None, True)


def test_a_driver_that_names_no_room_is_refused() -> None:
    with pytest.raises(OSError, match="0 words"):
        ethtool.link_settings("eth0", lambda _, request: bytes(len(request)))


def test_a_short_answer_is_no_crash(tmp_path: Path) -> None:
    root = sysfs(tmp_path, "eth0")
    facts = interface_facts("eth0", sysfs_net=root, ask=lambda *_: b"", stats=stats(eth0=entry()), platform="linux")
    assert facts.why["driver"] == Reason.PARSE_ERROR
    nulls_have_reasons(facts)


@pytest.mark.parametrize(
    ("files", "kind"),
    [
        ({}, "ethernet"),
        ({"uevent": "DEVTYPE=wlan"}, "wifi"),
        ({"type": "65534", "tun_flags": "0x1002"}, "tunnel"),
        ({"type": "65534", "uevent": "DEVTYPE=wireguard"}, "tunnel"),
        ({"tun_flags": "0x1002"}, "tunnel"),
        ({"type": "512"}, "tunnel"),
        ({"flags": "0x1091"}, "tunnel"),
        ({"uevent": "DEVTYPE=bridge"}, "other"),
        ({"uevent": "DEVTYPE=wwan"}, "other"),
        ({"type": "772", "flags": "0x9"}, "other"),
    ],
)
def test_kinds_by_sysfs(tmp_path: Path, files: dict[str, str], kind: str) -> None:
    """Hardware types: linux/if_arp.h. IFF_POINTOPOINT 0x10: linux/if.h."""
    root = sysfs(tmp_path, "x0", **files)
    facts = interface_facts("x0", sysfs_net=root, ask=no_ethtool, stats=stats(), platform="linux")
    assert facts.kind == kind


@pytest.mark.parametrize("mark", ["wireless", "phy80211"])
def test_wifi_by_sysfs(tmp_path: Path, mark: str) -> None:
    root = sysfs(tmp_path, "wlp1s0")
    (root / "wlp1s0" / mark).mkdir()
    facts = interface_facts("wlp1s0", sysfs_net=root, ask=no_ethtool, stats=stats(), platform="linux")
    assert facts.kind is InterfaceKind.WIFI


@pytest.mark.parametrize(
    ("name", "platform", "wifi", "kind"),
    [
        ("utun4", "darwin", None, "tunnel"),
        ("en0", "darwin", ["en0"], "wifi"),
        ("en5", "darwin", ["en0"], "ethernet"),
        ("en0", "darwin", None, None),
        ("awdl0", "darwin", ["en0"], "other"),
        ("Wi-Fi 2", "win32", None, "wifi"),
        ("Ethernet", "win32", None, "ethernet"),
        ("Drahtlos", "win32", ["Drahtlos"], "wifi"),
        ("Drahtlos", "win32", None, None),
    ],
)
def test_kinds_by_name(name: str, platform: str, wifi: list[str] | None, kind: str | None) -> None:
    """Common practice, no source. What the name does not tell is not guessed."""
    assert kind_by_name(name, platform, wifi) == kind


def test_other_systems_are_asked_through_psutil(tmp_path: Path) -> None:
    facts = interface_facts(
        "en5",
        sysfs_net=tmp_path,
        ask=no_ethtool,
        stats=stats(en5=entry(2500, psutil.NIC_DUPLEX_FULL, 9000)),
        wifi_names=["en0"],
        platform="darwin",
    )
    assert (facts.kind, facts.speed_mbps, facts.duplex, facts.mtu) == (InterfaceKind.ETHERNET, 2500, "full", 9000)
    assert {facts.why[name] for name in ("usb_mbps", "eee", "driver")} == {Reason.NOT_SUPPORTED_BY_OS}
    nulls_have_reasons(facts)


@pytest.mark.parametrize("platform", ["linux", "darwin"])
def test_an_interface_that_is_gone(tmp_path: Path, platform: str) -> None:
    def gone(_interface: str, _request: bytes) -> bytes:
        raise OSError(errno.ENODEV, "no such device")

    facts = interface_facts("x0", sysfs_net=tmp_path, ask=gone, stats=stats(), platform=platform)
    assert facts.why["speed_mbps"] == facts.why["mtu"] == Reason.NO_SUCH_INTERFACE
    nulls_have_reasons(facts)


def test_a_psutil_that_fails_is_no_crash(tmp_path: Path) -> None:
    def fails() -> Any:
        raise psutil.AccessDenied

    nulls_have_reasons(interface_facts("x0", sysfs_net=tmp_path, ask=no_ethtool, stats=fails, platform="win32"))


def test_the_usb_port_above_an_adapter(tmp_path: Path) -> None:
    """sysfs: the interface's device is a USB interface; the device above it has idVendor and speed."""
    port = tmp_path / "devices" / "usb1" / "1-2"
    (port / "1-2:1.0" / "net" / "wlx0").mkdir(parents=True)
    (port / "idVendor").write_text("1d6b\n")
    (port / "speed").write_text("480\n")
    root = sysfs(tmp_path, "wlx0")
    (root / "wlx0" / "device").symlink_to(port / "1-2:1.0")
    assert usb_mbps_of("wlx0", root) == 480
    pci = tmp_path / "devices" / "pci0000:00"
    pci.mkdir()
    sysfs(tmp_path, "eth0")
    (root / "eth0" / "device").symlink_to(pci)
    assert usb_mbps_of("eth0", root) is None
    assert usb_mbps_of("none", root) is None
