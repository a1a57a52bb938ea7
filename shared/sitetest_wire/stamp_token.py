"""How a lease's token travels in a test packet: as a TLV behind the 44 octets (RFC 8972, section 4).

    44  1  flags: U | M | I | reserved
    45  1  type 1, Extra Padding: octets whose content means nothing to the protocol, and which come back
    46  2  length of the value: 16
    48 16  the token

A sender sets U ("not recognised"), and a reflector that knows the type takes it away. A reflector of plain RFC 8762
sends the octets back as padding. The shape of a TLV, the type and the three flags are those of RFC 8972; that a sender
sets U is from memory of the same section.

Pure. May import the standard library only.
"""

import struct

from sitetest_wire.stamp import PACKET_BYTES

TOKEN_BYTES = 16
EXTRA_PADDING = 1
NOT_RECOGNISED = 0x80
_FLAGS = 0xE0
_HEADER = struct.Struct("!BBH")
PACKET_WITH_TOKEN_BYTES = PACKET_BYTES + _HEADER.size + TOKEN_BYTES


def token_tlv(token: bytes) -> bytes:
    """Return the octets that a sender puts behind its packet. Raises ValueError for a token of another length."""
    if len(token) != TOKEN_BYTES:
        raise ValueError(f"a token has {TOKEN_BYTES} octets, this one {len(token)}")
    return _HEADER.pack(NOT_RECOGNISED, EXTRA_PADDING, TOKEN_BYTES) + token


def token_of(octets: bytes) -> bytes | None:
    """Return the token of a whole test packet; None when its first TLV is not one of our shape."""
    if len(octets) < PACKET_WITH_TOKEN_BYTES:
        return None
    _, kind, length = _HEADER.unpack_from(octets, PACKET_BYTES)
    if kind != EXTRA_PADDING or length != TOKEN_BYTES:
        return None
    start = PACKET_BYTES + _HEADER.size
    return octets[start : start + TOKEN_BYTES]


def recognised(rest: bytes) -> bytes:
    """Return what stood behind the 44 octets with the flags of its first TLV taken away; as long as it was."""
    return bytes([rest[0] & ~_FLAGS & 0xFF]) + rest[1:]
