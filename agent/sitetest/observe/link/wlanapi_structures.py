"""The structures of Windows' WLAN API that the reader needs, and how they are read out of bytes with checks.

Layouts follow Microsoft's documentation of wlanapi.h. Sizes are checked where this module is imported, on whatever
system that is, and again against what Windows returned: a reply that does not have the size it must have is refused as
a whole, because every field after the surprise would be read from the wrong place.

Pure: ctypes is used for layout only. May import the standard library and its neighbours only.
"""

import ctypes
from ctypes import c_byte, c_int32, c_ubyte, c_uint16, c_uint32
from typing import Any

from sitetest.observe.link.reader import MALFORMED

OPCODE_CHANNEL = 8
OPCODE_CONNECTION = 7
OPCODE_REALTIME = 19
OPCODE_STATE = 6
OPCODE_RSSI = 0x10000102
STATE_CONNECTED = 1
MOST_LINKS = 15
"""802.11be gives a link id four bits, 15 being reserved."""


class Guid(ctypes.Structure):
    """GUID."""

    _fields_ = (("first", c_uint32), ("second", c_uint16), ("third", c_uint16), ("fourth", c_ubyte * 8))


class InterfaceInfo(ctypes.Structure):
    """WLAN_INTERFACE_INFO."""

    _fields_ = (("guid", Guid), ("description", c_uint16 * 256), ("state", c_uint32))


class RateSet(ctypes.Structure):
    """WLAN_RATE_SET."""

    _fields_ = (("length", c_uint32), ("rates", c_uint16 * 126))


class LinkInfo(ctypes.Structure):
    """LINK_INFO of WLAN_REALTIME_CONNECTION_QUALITY."""

    _fields_ = (
        ("link_id", c_ubyte),
        ("frequency", c_uint32),
        ("bandwidth", c_uint32),
        ("rssi", c_int32),
        ("rates", RateSet),
    )


class RealtimeHead(ctypes.Structure):
    """WLAN_REALTIME_CONNECTION_QUALITY up to its links."""

    _fields_ = (
        ("phy", c_uint32),
        ("quality", c_uint32),
        ("rx_rate", c_uint32),
        ("tx_rate", c_uint32),
        ("is_mlo", c_uint32),
        ("link_count", c_uint32),
    )


class Ssid(ctypes.Structure):
    """DOT11_SSID."""

    _fields_ = (("length", c_uint32), ("name", c_ubyte * 32))


class Association(ctypes.Structure):
    """WLAN_ASSOCIATION_ATTRIBUTES."""

    _fields_ = (
        ("ssid", Ssid),
        ("bss_type", c_uint32),
        ("bssid", c_ubyte * 6),
        ("phy", c_uint32),
        ("phy_index", c_uint32),
        ("quality", c_uint32),
        ("rx_rate", c_uint32),
        ("tx_rate", c_uint32),
    )


class Connection(ctypes.Structure):
    """WLAN_CONNECTION_ATTRIBUTES. The profile's name and the security settings are never read."""

    _fields_ = (
        ("state", c_uint32),
        ("mode", c_uint32),
        ("profile", c_uint16 * 256),
        ("association", Association),
        ("security", c_byte * 16),
    )


HEAD_BYTES = ctypes.sizeof(RealtimeHead)
LINK_BYTES = ctypes.sizeof(LinkInfo)
INTERFACE_BYTES = ctypes.sizeof(InterfaceInfo)


def read_realtime(data: bytes) -> dict[str, Any]:
    """Return the answer to opcode 19 as JSON types; `{"malformed": true}` when its size does not fit its link count."""
    if len(data) < HEAD_BYTES:
        return MALFORMED
    head = RealtimeHead.from_buffer_copy(data)
    if head.link_count > MOST_LINKS or len(data) < HEAD_BYTES + LINK_BYTES * head.link_count:
        return MALFORMED
    links = [LinkInfo.from_buffer_copy(data, HEAD_BYTES + LINK_BYTES * index) for index in range(head.link_count)]
    return {
        "phy": head.phy,
        "rx_kbps": head.rx_rate,
        "tx_kbps": head.tx_rate,
        "is_mlo": bool(head.is_mlo),
        "links": [
            {
                "link_id": link.link_id,
                "frequency": link.frequency,
                "bandwidth_mhz": link.bandwidth,
                "rssi_dbm": link.rssi,
            }
            for link in links
        ],
    }


def read_connection(data: bytes) -> dict[str, Any]:
    """Return the answer to opcode 7 as JSON types."""
    if len(data) < ctypes.sizeof(Connection):
        return MALFORMED
    found = Connection.from_buffer_copy(data).association
    if found.ssid.length > 32:
        return MALFORMED
    return {
        "ssid_hex": bytes(found.ssid.name[: found.ssid.length]).hex(),
        "bssid": ":".join(f"{octet:02x}" for octet in found.bssid),
        "phy": found.phy,
        "rx_kbps": found.rx_rate,
        "tx_kbps": found.tx_rate,
    }


def read_number(data: bytes, *, signed: bool = False) -> int | dict[str, Any]:
    """Return an answer that is one ULONG or LONG."""
    if len(data) != 4:
        return MALFORMED
    return int.from_bytes(data, "little", signed=signed)


def read_interfaces(data: bytes) -> list[tuple[bytes, str]]:
    """Return (GUID as 16 bytes, description) of a WLAN_INTERFACE_INFO_LIST. Raises ValueError when it is none."""
    if len(data) < 8:
        raise ValueError("an interface list has a header of 8 bytes")
    count = int.from_bytes(data[:4], "little")
    if len(data) < 8 + INTERFACE_BYTES * count:
        raise ValueError(f"{count} interfaces do not fit into {len(data)} bytes")
    found = []
    for index in range(count):
        entry = InterfaceInfo.from_buffer_copy(data, 8 + INTERFACE_BYTES * index)
        text = bytes(entry.description).decode("utf-16-le", errors="replace").split("\0", 1)[0]
        found.append((bytes(entry.guid), text))
    return found
