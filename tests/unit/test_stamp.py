"""RFC 8762 packets, octet by octet."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest_wire.stamp import (
    PACKET_BYTES,
    ReflectorPacket,
    SenderPacket,
    error_estimate,
    ntp_difference_ns,
    ntp_from_unix_ns,
    stated_error_s,
)

UNIX_NS = 1_700_000_000_250_000_000


def test_sender_packet_octet_by_octet() -> None:
    """Layout: RFC 8762, figure 2; NTP era: RFC 5905. 1,700,000,000.25 s of Unix time is e8fe6f80.40000000 in NTP."""
    octets = SenderPacket(7, ntp_from_unix_ns(UNIX_NS), 0x0001).encode()
    assert octets.hex(" ", 2) == "0000 0007 e8fe 6f80 4000 0000 0001" + " 0000" * 15
    assert len(octets) == PACKET_BYTES
    assert SenderPacket.decode(octets) == SenderPacket(7, 0xE8FE6F8040000000, 1)


def test_reflector_packet_octet_by_octet() -> None:
    """Layout: RFC 8762, figure 5: each field at its printed offset."""
    packet = ReflectorPacket(
        sequence=0x01020304,
        timestamp=0x1112131415161718,
        error=0x2122,
        receive_timestamp=0x3132333435363738,
        sender_sequence=0x41424344,
        sender_timestamp=0x5152535455565758,
        sender_error=0x6162,
        sender_ttl=0x71,
    )
    octets = packet.encode()
    assert len(octets) == PACKET_BYTES
    places = ((0, 4, 0x01), (4, 8, 0x11), (12, 2, 0x21), (16, 8, 0x31), (24, 4, 0x41), (28, 8, 0x51), (36, 2, 0x61))
    for offset, length, first in (*places, (40, 1, 0x71)):
        assert octets[offset : offset + length] == bytes(range(first, first + length))
    for offset, length in ((14, 2), (38, 2), (41, 3)):
        assert octets[offset : offset + length] == bytes(length), "must be zero"
    assert ReflectorPacket.decode(octets) == packet


@pytest.mark.parametrize("kind", [SenderPacket, ReflectorPacket])
def test_a_short_packet_is_refused(kind: type[SenderPacket] | type[ReflectorPacket]) -> None:
    with pytest.raises(ValueError, match="44 octets, this one 43"):
        kind.decode(bytes(43))


def test_residence_by_the_reflectors_own_clock() -> None:
    packet = ReflectorPacket(0, ntp_from_unix_ns(UNIX_NS + 1_500_000), 1, ntp_from_unix_ns(UNIX_NS), 0, 0, 1, 64)
    assert packet.residence_ns == pytest.approx(1_500_000, abs=1)


@given(st.integers(0, 2**62), st.integers(-(10**15), 10**15))
def test_differences_survive_the_wrap_of_2036(unix_ns: int, step_ns: int) -> None:
    """RFC 5905: 32 bits of seconds from 1900 wrap in 2036."""
    later = ntp_from_unix_ns(max(0, unix_ns + step_ns))
    wanted_ns = max(0, unix_ns + step_ns) - unix_ns
    assert ntp_difference_ns(later, ntp_from_unix_ns(unix_ns)) == pytest.approx(wanted_ns, abs=2, rel=1e-12)


@pytest.mark.parametrize("error_s", [0.0, 1e-9, 1e-6, 0.001, 1.0, 3600.0])
def test_error_estimate_covers_the_error(error_s: float) -> None:
    """RFC 4656, section 4.1.2: error = Multiplier x 2^-32 x 2^Scale; Multiplier MUST NOT be 0."""
    word = error_estimate(error_s)
    multiplier, scale = word & 0xFF, word >> 8 & 0x3F
    assert multiplier != 0
    said_s = multiplier * 2.0**-32 * 2**scale
    assert error_s <= said_s <= max(2**-32, error_s * 1.01 + 2**-32)
    assert word >> 14 == 0, "not synchronised, NTP format"
    assert error_estimate(error_s, synchronised=True) >> 15 == 1


@given(st.floats(1e-9, 1e5))
def test_a_stated_error_is_read_back(error_s: float) -> None:
    """RFC 4656, section 4.1.2; a multiplier of 0 states nothing."""
    assert error_s <= stated_error_s(error_estimate(error_s)) <= error_s * 1.01 + 2**-32
    assert stated_error_s(0x0100) == float("inf")


def test_residence_of_a_reflector_with_ptp_times() -> None:
    """Z = 1: PTPv2 truncated, 32 bits of seconds and 32 of nanoseconds (RFC 8186, section 2.3)."""
    packet = ReflectorPacket(0, 5 << 32 | 1_000_000, 0x4001, 4 << 32 | 999_000_000, 0, 0, 1, 64)
    assert packet.residence_ns == 2_000_000


def test_an_error_below_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="below zero"):
        error_estimate(-1)
    with pytest.raises(ValueError, match="does not fit"):
        error_estimate(2.0**50)
