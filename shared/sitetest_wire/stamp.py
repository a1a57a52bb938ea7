"""Packets of RFC 8762 (Simple Two-way Active Measurement Protocol), unauthenticated mode, 44 octets each way.

    sender                         reflector
     0  4  sequence number          0  4  sequence number
     4  8  timestamp                4  8  timestamp (when it was sent back)
    12  2  error estimate          12  2  error estimate
    14 30  zero                    14  2  zero
                                   16  8  receive timestamp
                                   24  4  sender's sequence number
                                   28  8  sender's timestamp
                                   36  2  sender's error estimate
                                   38  2  zero
                                   40  1  sender's TTL
                                   41  3  zero

Octets after the 44th (RFC 8972 allows TLVs or padding) are carried beside the packet and sent back as they came, so
that a reply is exactly as long as its request. Timestamps are NTP 64-bit (Z = 0, the RFC's default); a reflector's may
be PTPv2 truncated (Z = 1: 32 bits of seconds, 32 of nanoseconds; RFC 8186, section 2.3).

Pure. May import the standard library only.
"""

import struct
from dataclasses import dataclass
from math import inf

PACKET_BYTES = 44
NTP_EPOCH_OFFSET_S = 2_208_988_800
"""Seconds from 1900 to 1970 (RFC 5905)."""

_SENDER = struct.Struct("!IQH30x")
_REFLECTOR = struct.Struct("!IQH2xQIQH2xB3x")
_NS = 1_000_000_000
_PTP_FORMAT = 0x4000
"""Bit Z of an error estimate."""


def ntp_from_unix_ns(unix_ns: int) -> int:
    """Return an NTP 64-bit timestamp (32 bits of seconds, 32 of fraction; wraps in 2036) for Unix nanoseconds."""
    seconds, rest_ns = divmod(unix_ns, _NS)
    return ((seconds + NTP_EPOCH_OFFSET_S) & 0xFFFFFFFF) << 32 | (rest_ns << 32) // _NS


def ntp_difference_ns(later: int, earlier: int) -> int:
    """Return ``later - earlier`` in nanoseconds, right across the wrap of the seconds (within 68 years)."""
    steps = (later - earlier) & 0xFFFFFFFFFFFFFFFF
    if steps >= 1 << 63:
        steps -= 1 << 64
    return round(steps * _NS / (1 << 32))


def error_estimate(error_s: float, *, synchronised: bool = False) -> int:
    """Return the 16-bit error estimate S | Z | Scale | Multiplier (RFC 4656, section 4.1.2): at least ``error_s``.

    error = Multiplier x 2^-32 x 2^Scale seconds; the multiplier is never 0. Raises ValueError below zero or too large.
    """
    if error_s < 0:
        raise ValueError(f"an error is not below zero: {error_s}")
    steps = max(1, _rounded_up(error_s * 2**32))
    scale = 0
    while steps > 0xFF:
        steps = (steps + 1) // 2
        scale += 1
    if scale > 0x3F:
        raise ValueError(f"an error of {error_s} s does not fit")
    return (0x8000 if synchronised else 0) | scale << 8 | steps


def stated_error_s(word: int) -> float:
    """Return the error in seconds that a 16-bit error estimate states; ``inf`` for a multiplier of 0, which states
    nothing (RFC 4656, section 4.1.2: it MUST NOT be 0)."""
    multiplier, scale = word & 0xFF, word >> 8 & 0x3F
    return multiplier * 2.0 ** (scale - 32) if multiplier else inf


@dataclass(frozen=True, slots=True)
class SenderPacket:
    """What the session sender sends. timestamp: NTP 64-bit."""

    sequence: int
    timestamp: int
    error: int

    def encode(self) -> bytes:
        """Return the 44 octets."""
        return _SENDER.pack(self.sequence, self.timestamp, self.error)

    @classmethod
    def decode(cls, octets: bytes) -> "SenderPacket":
        """Read the first 44 octets. Raises ValueError when there are fewer."""
        if len(octets) < PACKET_BYTES:
            raise ValueError(f"a test packet has {PACKET_BYTES} octets, this one {len(octets)}")
        return cls(*_SENDER.unpack_from(octets))


@dataclass(frozen=True, slots=True)
class ReflectorPacket:
    """What the session reflector sends back. All timestamps NTP 64-bit; the sender's fields as they came."""

    sequence: int
    timestamp: int
    error: int
    receive_timestamp: int
    sender_sequence: int
    sender_timestamp: int
    sender_error: int
    sender_ttl: int

    def encode(self) -> bytes:
        """Return the 44 octets."""
        return _REFLECTOR.pack(
            self.sequence,
            self.timestamp,
            self.error,
            self.receive_timestamp,
            self.sender_sequence,
            self.sender_timestamp,
            self.sender_error,
            self.sender_ttl,
        )

    @classmethod
    def decode(cls, octets: bytes) -> "ReflectorPacket":
        """Read the first 44 octets. Raises ValueError when there are fewer."""
        if len(octets) < PACKET_BYTES:
            raise ValueError(f"a test packet has {PACKET_BYTES} octets, this one {len(octets)}")
        return cls(*_REFLECTOR.unpack_from(octets))

    @property
    def residence_ns(self) -> int:
        """How long the reflector held the packet, by its own clock."""
        if self.error & _PTP_FORMAT:
            return _ptp_ns(self.timestamp) - _ptp_ns(self.receive_timestamp)
        return ntp_difference_ns(self.timestamp, self.receive_timestamp)


def _ptp_ns(timestamp: int) -> int:
    return (timestamp >> 32) * _NS + (timestamp & 0xFFFFFFFF)


def _rounded_up(value: float) -> int:
    whole = int(value)
    return whole if whole == value else whole + 1
