"""Builds nl80211 messages byte by byte, as the kernel does, from numbers of its header `linux/nl80211.h`.

Written with `struct` alone, independent of the library that decodes them. May import the standard library only.
"""

import struct

FAMILY_ID = 28
GROUP_IDS = {"config": 4, "scan": 5, "regulatory": 6, "mlme": 7}

CTRL_NEWFAMILY = 1
NEW_INTERFACE, NEW_STATION, NEW_SURVEY, GET_POWER_SAVE = 7, 19, 51, 62


def attribute(number: int, payload: bytes, *, stated_length: int | None = None) -> bytes:
    """Return one attribute, padded. stated_length: a lie about its length."""
    length = 4 + len(payload) if stated_length is None else stated_length
    return struct.pack("=HH", length, number) + payload + b"\0" * (-len(payload) % 4)


def u8(number: int, value: int) -> bytes:
    return attribute(number, struct.pack("=B", value))


def s8(number: int, value: int) -> bytes:
    return attribute(number, struct.pack("=b", value))


def u16(number: int, value: int) -> bytes:
    return attribute(number, struct.pack("=H", value))


def u32(number: int, value: int) -> bytes:
    return attribute(number, struct.pack("=I", value))


def u64(number: int, value: int) -> bytes:
    return attribute(number, struct.pack("=Q", value))


def flag(number: int) -> bytes:
    return attribute(number, b"")


def nest(number: int, *parts: bytes) -> bytes:
    return attribute(number | 0x8000, b"".join(parts))


def address(number: int, text: str) -> bytes:
    return attribute(number, bytes.fromhex(text.replace(":", "")))


def header(kind: int, flags: int, sequence: int, payload: bytes) -> bytes:
    """Return a netlink message with its padding."""
    message = struct.pack("=IHHII", 16 + len(payload), kind, flags, sequence, 0) + payload
    return message + b"\0" * (-len(message) % 4)


def generic(command: int, *attributes: bytes, kind: int = FAMILY_ID, flags: int = 0, sequence: int = 0) -> bytes:
    """Return a generic netlink message."""
    return header(kind, flags, sequence, struct.pack("=BBH", command, 1, 0) + b"".join(attributes))


def error(code: int, sequence: int) -> bytes:
    """Return an error (0: acknowledgement) to a request of that sequence number."""
    return header(2, 0, sequence, struct.pack("=i", -code) + struct.pack("=IHHII", 16, 0, 0, sequence, 0))


def done(sequence: int, flags: int = 0) -> bytes:
    return header(3, 2 | flags, sequence, struct.pack("=i", 0))


def family(sequence: int) -> bytes:
    """Return the answer to the question for the family."""
    groups = nest(
        7,
        *(
            nest(index, u32(2, number), attribute(1, name.encode() + b"\0"))
            for index, (name, number) in enumerate(GROUP_IDS.items(), 1)
        ),
    )
    named = attribute(2, b"nl80211\0")
    return generic(CTRL_NEWFAMILY, named, u16(1, FAMILY_ID), groups, kind=16, sequence=sequence)


HE80_TX = nest(8, u32(5, 9607), u16(1, 9607), u8(13, 9), u8(14, 2), u8(15, 0), u8(16, 0), flag(8))
HE80_RX = nest(14, u32(5, 12009), u16(1, 12009), u8(13, 11), u8(14, 2), u8(15, 0), u8(16, 0), flag(8))
"""HE, 80 MHz, two streams, 0.8 us: MCS 9 is 960.8 and MCS 11 is 1201.0 Mbit/s; drivers cut the fraction."""


def interface(*extra: bytes, freq_mhz: int | None = 5180, width: int = 3, centre_mhz: int = 5210) -> bytes:
    """Return the attributes of a connected interface: channel 36 in 80 MHz."""
    channel = b"" if freq_mhz is None else u32(38, freq_mhz) + u32(159, width) + u32(160, centre_mhz)
    own = u32(3, 3) + attribute(4, b"wlan0\0") + u32(5, 2) + address(6, "02:00:00:00:00:10") + u64(153, 1)
    return own + channel + attribute(52, b"quay-street") + u32(98, 2200) + b"".join(extra)


def station_info(
    *extra: bytes, signal: int = -52, average: int = -53, beacon: int = -51, tx: bytes = HE80_TX, rx: bytes = HE80_RX
) -> bytes:
    """Return STA_INFO of an access point."""
    return nest(
        21,
        s8(7, signal), s8(13, average), s8(30, beacon), nest(25, s8(0, signal), s8(1, signal - 2)),
        tx, rx,
        u32(9, 5000), u32(10, 7000), u32(11, 17), u32(12, 0), u32(18, 1), u32(16, 139),
        u64(42, 86_400_000_000_000), u64(23, 5_000_000_000), u64(24, 7_000_000_000),
        attribute(17, struct.pack("=II", 0xFE, 0b10100010)),
        nest(15, u8(4, 2), u16(5, 100)),
        *extra,
    )  # fmt: skip


def station(*extra: bytes, bssid: str = "02:00:00:aa:bb:01", info: bytes | None = None) -> bytes:
    """Return the attributes of a station."""
    return u32(3, 3) + address(6, bssid) + u32(46, 5) + (station_info() if info is None else info) + b"".join(extra)


def survey(freq_mhz: int = 5180, *, in_use: bool = True, noise: int = -92, time: int = 1000, busy: int = 300) -> bytes:
    """Return the attributes of one survey entry."""
    used = flag(3) if in_use else b""
    return u32(3, 3) + nest(84, u32(1, freq_mhz), s8(2, noise), used, u64(4, time), u64(5, busy))
