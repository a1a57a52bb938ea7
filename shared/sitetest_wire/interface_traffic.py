"""What went over a network interface between two readings of its byte counters, and how much of it was not the test's.

Pure. May import the standard library and this package only.
"""

from dataclasses import dataclass

from sitetest_wire.units import mbps

FRAME_OVER_PAYLOAD = 1514 / 1448
"""Bytes that an interface counts for a byte of TCP payload: a full frame without its check sequence over its payload
with timestamps, at an MTU of 1500 (RFC 894, RFC 7323 appendix A)."""

TOLERANCE_SHARE = 0.05
TOLERANCE_MBPS = 1.0
"""What the estimate may be off: acknowledgements the other way (2.3 % at one for two segments) and offloads that count
headers differently; and the small talk of an idle interface. The figures are a proposal without a source."""

WRAP_32_BIT = 2**32
"""macOS gives third-party programs byte counters cut to 32 bits: they wrap after 34 s at 1 Gbit/s, and are read at most
10 s apart. It also counts in steps of 1 KiB. Elsewhere counters have 64 bits and do not wrap."""


@dataclass(frozen=True, slots=True)
class InterfaceBytes:
    """Counters of one interface: received and sent since it came up."""

    received: int
    sent: int


@dataclass(frozen=True, slots=True)
class OtherTraffic:
    """mbps: both directions together, not below 0. tolerance_mbps: what it may be off."""

    mbps: float
    tolerance_mbps: float

    @property
    def seen(self) -> bool:
        """Whether there was other traffic beyond doubt."""
        return self.mbps > self.tolerance_mbps


def bytes_between(before: InterfaceBytes, after: InterfaceBytes, *, wrap: int | None = None) -> InterfaceBytes | None:
    """Return the bytes between two readings. wrap: the counters' modulus, None for counters that do not wrap.

    None when a counter without a wrap went back: the interface was taken away and came again.
    """
    received, sent = after.received - before.received, after.sent - before.sent
    if wrap is not None:
        return InterfaceBytes(received % wrap, sent % wrap)
    return None if received < 0 or sent < 0 else InterfaceBytes(received, sent)


def other_traffic(interface_bytes: float, payload_bytes: float, duration_s: float) -> OtherTraffic:
    """Return what the interface carried beside the test, from its own bytes and the test's TCP payload, both directions
    of each together, over ``duration_s`` seconds (> 0)."""
    rest_bytes = max(interface_bytes - payload_bytes * FRAME_OVER_PAYLOAD, 0.0)
    return OtherTraffic(
        mbps=mbps(rest_bytes, duration_s),
        tolerance_mbps=TOLERANCE_SHARE * mbps(payload_bytes, duration_s) + TOLERANCE_MBPS,
    )
