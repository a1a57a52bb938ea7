"""The kernel's nl80211 messages, encoded and decoded by pyroute2, and turned into plain JSON types.

pyroute2's own table lacks what a multi-link connection needs, drops what it does not know and has a few wrong types;
the subclasses made here add and correct that. Two things are done by hand because pyroute2 0.9.7 does not: a value
whose length is not that of its type is refused (it would read on into the next attribute), and the elements of a nested
array are walked with a check (an element of length zero would be walked for ever).

pyroute2 takes a fifth of a second to import, so it is imported when :func:`load_messages` is called: when a reader is
made. May import pyroute2 (there) and its neighbours only.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sitetest.observe.link.reader import MALFORMED

# fmt: off
_READ = frozenset({
    "IFINDEX", "IFTYPE", "MAC", "SSID", "WIPHY_FREQ", "CHANNEL_WIDTH", "CENTER_FREQ1", "PUNCT_BITMAP",
    "WIPHY_TX_POWER_LEVEL", "PS_STATE", "MLO_LINKS", "MLO_LINK_ID", "MLD_ADDR", "STA_INFO", "SURVEY_INFO",
    "STATUS_CODE", "REASON_CODE", "SIGNAL", "SIGNAL_AVG", "BEACON_SIGNAL_AVG", "TX_BITRATE", "RX_BITRATE",
    "TX_PACKETS", "TX_RETRIES", "TX_FAILED", "BEACON_LOSS", "CONNECTED_TIME", "ASSOC_AT_BOOTTIME", "STA_FLAGS",
    "BITRATE", "BITRATE32", "MCS", "SHORT_GI", "VHT_MCS", "VHT_NSS", "HE_MCS", "HE_NSS", "HE_GI", "HE_RU_ALLOC",
    "EHT_MCS", "EHT_NSS", "EHT_GI", "EHT_RU_ALLOC", "UHR_MCS", "UHR_ELR", "UHR_IM", "40_MHZ_WIDTH", "80_MHZ_WIDTH",
    "80P80_MHZ_WIDTH", "160_MHZ_WIDTH", "320_MHZ_WIDTH", "10_MHZ_WIDTH", "5_MHZ_WIDTH", "1_MHZ_WIDTH",
    "2_MHZ_WIDTH", "4_MHZ_WIDTH", "8_MHZ_WIDTH", "16_MHZ_WIDTH", "FREQUENCY", "NOISE", "IN_USE", "TIME",
    "TIME_BUSY", "TIME_TX", "TIME_BSS_RX",
})
# fmt: on
"""The attributes that are read at all, without their prefix. Everything else is never looked into: it cannot fail, and
what identifies other people's networks never leaves the message."""

_STA_FLAGS_BYTES = 8
_HEADER_BYTES = 4


@dataclass(frozen=True, slots=True)
class Messages:
    """The message classes of pyroute2 that the Linux reader speaks with. Any: pyroute2 has no types."""

    link: Any
    control: Any

    def request(self, command: int, attributes: Mapping[str, Any], kind: int, flags: int, sequence: int) -> bytes:
        """Return the bytes of a request. attributes: by name without prefix."""
        message = self.link()
        message["attrs"] = [(f"NL80211_ATTR_{name}", value) for name, value in attributes.items()]
        return _encoded(message, command, kind, flags, sequence)

    def family_request(self, family: str, kind: int, flags: int, sequence: int) -> bytes:
        """Return the bytes that ask for the number of a generic netlink family (`CTRL_CMD_GETFAMILY`)."""
        message = self.control()
        message["attrs"] = [("CTRL_ATTR_FAMILY_NAME", family)]
        return _encoded(message, 3, kind, flags, sequence)

    def family(self, data: bytes) -> tuple[int, dict[str, int]]:
        """Return number and multicast groups of a family. Raises ValueError when the answer has none."""
        message = self.control(data)
        _decode(message)
        number = message.get_attr("CTRL_ATTR_FAMILY_ID")
        if not isinstance(number, int):
            raise ValueError("the kernel's answer names no family")
        groups = {
            str(group.get_attr("CTRL_ATTR_MCAST_GRP_NAME")): int(group.get_attr("CTRL_ATTR_MCAST_GRP_ID"))
            for group in message.get_attr("CTRL_ATTR_MCAST_GROUPS") or ()
        }
        return number, groups

    def plain(self, data: bytes) -> tuple[int, dict[str, Any]]:
        """Return command and attributes of one whole message, as JSON types: numbers, True for a flag, `02:..` for an
        address, hexadecimal text for bytes, mappings for nests, a list for links. Raises ValueError when not even the
        header can be read."""
        message = self.link(data)
        _decode(message)
        return int(message["cmd"]), _plain_nest(message)


def _encoded(message: Any, command: int, kind: int, flags: int, sequence: int) -> bytes:
    message["cmd"] = command
    message["version"] = 1
    message["header"] = {"type": kind, "flags": flags, "sequence_number": sequence, "pid": 0}
    message.encode()
    return bytes(message.data)


def _decode(message: Any) -> None:
    from pyroute2.netlink.exceptions import NetlinkDecodeError  # noqa: PLC0415  heavy: only once a reader exists

    try:
        message.decode()
    except (struct.error, NetlinkDecodeError, IndexError) as problem:
        raise ValueError(f"not a netlink message: {problem!r}") from problem


def _plain_nest(nest: Any) -> dict[str, Any]:
    """Return a nest's attributes by name without prefix; of a repeated attribute the last one, as the kernel does."""
    prefix = len(nest.prefix)
    found: dict[str, Any] = {}
    for slot in nest["attrs"]:
        name, attribute = slot.cell
        short = name[prefix:]
        if short in _READ and name.startswith(nest.prefix):
            found[short] = _plain_value(short, attribute)
    return found


def _plain_value(name: str, attribute: Any) -> Any:
    (stated_bytes,) = struct.unpack_from("H", attribute.data, attribute.offset)
    if stated_bytes != attribute.length:
        return MALFORMED
    payload_bytes = stated_bytes - _HEADER_BYTES
    if name == "STA_FLAGS":
        wanted_bytes: int | None = _STA_FLAGS_BYTES
    elif attribute.fields and not any(code == "s" for _, code in attribute.fields):
        wanted_bytes = sum(struct.calcsize(code) for _, code in attribute.fields)
    else:
        wanted_bytes = None
    if wanted_bytes is not None and payload_bytes != wanted_bytes:
        return MALFORMED
    try:
        _decode(attribute)
    except ValueError:
        return MALFORMED
    if attribute.nla_map:
        return _plain_nest(attribute)
    value = attribute.getvalue()
    if name == "MLO_LINKS":
        return [_plain_nest(link) for link in value]
    return value.hex() if isinstance(value, bytes | bytearray) else value


def _table(parent: Any, changed: Mapping[str, str], added: tuple[tuple[int, str, str], ...]) -> tuple[Any, ...]:
    """Return a parent's attribute table with explicit numbers, with other types for some and with more entries."""
    own = [(number, name, changed.get(name, kind), 0) for number, (name, kind, *_) in enumerate(parent.nla_map)]
    taken = {number for number, *_ in added}
    return (*(entry for entry in own if entry[0] not in taken), *((*entry, 0) for entry in added))


@cache
def load_messages() -> Messages:
    """Import pyroute2 and build the message classes. Raises ImportError where pyroute2 is not installed."""
    from pyroute2.netlink import ctrlmsg, nla, nla_base  # noqa: PLC0415  heavy
    from pyroute2.netlink.nl80211 import nl80211cmd  # noqa: PLC0415  heavy

    # pyroute2 remembers on each class that its table has been compiled, and a subclass would inherit that from a parent
    # that was used before it: each class below says of itself that it has not.
    fresh = {"_nlmsg_base__compiled_nla": False}
    station = nl80211cmd.STAInfo

    rate = type(
        "Rate",
        (station.rate_info,),
        fresh
        | {
            "nla_map": _table(
                station.rate_info,
                {},
                (
                    (30, "NL80211_RATE_INFO_UHR_MCS", "uint8"),
                    (31, "NL80211_RATE_INFO_UHR_ELR", "flag"),
                    (32, "NL80211_RATE_INFO_UHR_IM", "flag"),
                ),
            )
        },
    )
    station_info = type("StationInfo", (station,), fresh | {"rate_info": rate, "nla_map": _table(station, {}, ())})
    survey = type(
        "Survey",
        (nl80211cmd.survey_info,),
        fresh | {"nla_map": _table(nl80211cmd.survey_info, {"NL80211_SURVEY_INFO_NOISE": "int8"}, ())},
    )

    link_table = (
        (3, "NL80211_ATTR_IFINDEX", "uint32"),
        (6, "NL80211_ATTR_MAC", "l2addr"),
        (21, "NL80211_ATTR_STA_INFO", "STAInfo"),
        (38, "NL80211_ATTR_WIPHY_FREQ", "uint32"),
        (159, "NL80211_ATTR_CHANNEL_WIDTH", "uint32"),
        (160, "NL80211_ATTR_CENTER_FREQ1", "uint32"),
        (313, "NL80211_ATTR_MLO_LINK_ID", "uint8"),
        (322, "NL80211_ATTR_PUNCT_BITMAP", "uint32"),
    )
    one_link = type(
        "OneLink",
        (nla,),
        {
            "prefix": "NL80211_ATTR_",
            "STAInfo": station_info,
            "nla_map": tuple((*entry, 0) for entry in link_table),
        },
    )

    def decode_links(self: Any) -> None:
        links, offset, end = [], self.offset + _HEADER_BYTES, self.offset + self.length
        while end - offset >= _HEADER_BYTES:
            (length,) = struct.unpack_from("H", self.data, offset)
            if not _HEADER_BYTES <= length <= end - offset:
                raise struct.error(f"a link of {length} bytes in {end - offset}")
            link = one_link(data=self.data, offset=offset, length=length)
            link.decode()
            links.append(link)
            offset += (length + 3) & ~3
        self.value = links
        self.decoded = True

    links = type("Links", (nla_base,), {"decode": decode_links})
    message = type(
        "LinkMessage",
        (nl80211cmd,),
        fresh
        | {
            "STAInfo": station_info,
            "survey_info": survey,
            "links": links,
            "nla_map": _table(
                nl80211cmd,
                {
                    "NL80211_ATTR_SSID": "cdata",
                    "NL80211_ATTR_PS_STATE": "uint32",
                    "NL80211_ATTR_STATUS_CODE": "uint16",
                    "NL80211_ATTR_REASON_CODE": "uint16",
                },
                (
                    (312, "NL80211_ATTR_MLO_LINKS", "links"),
                    (313, "NL80211_ATTR_MLO_LINK_ID", "uint8"),
                    (314, "NL80211_ATTR_MLD_ADDR", "l2addr"),
                    (322, "NL80211_ATTR_PUNCT_BITMAP", "uint32"),
                ),
            ),
        },
    )
    return Messages(link=message, control=ctrlmsg)
