"""What an Ethernet hop can carry of TCP payload.

    goodput = link rate x payload of a full frame / room that the frame takes on the wire

A frame takes 38 bytes more than its IP packet: 14 header, 4 check sequence, 12 gap, 7 preamble, 1 start delimiter
(IEEE 802.3; the sum 1538 for an MTU of 1500 is printed in RFC 6349, section 4.1.1). A VLAN tag takes 4 more.

Pure. May import the standard library only.
"""

ETHERNET_OVERHEAD_BYTES = 38
VLAN_TAG_BYTES = 4
IPV4_HEADER_BYTES = 20
IPV6_HEADER_BYTES = 40
TCP_HEADER_BYTES = 20
TCP_TIMESTAMP_BYTES = 12
"""The timestamps option with its padding (RFC 7323, appendix A)."""


def tcp_payload_bytes(mtu: int = 1500, *, ipv6: bool = False, timestamps: bool = True) -> int:
    """Return the payload bytes of a full segment in a packet of ``mtu`` bytes."""
    headers = (IPV6_HEADER_BYTES if ipv6 else IPV4_HEADER_BYTES) + TCP_HEADER_BYTES
    payload = mtu - headers - (TCP_TIMESTAMP_BYTES if timestamps else 0)
    if payload <= 0:
        raise ValueError(f"an MTU of {mtu} bytes has no room for TCP payload")
    return payload


def payload_share(mtu: int = 1500, *, ipv6: bool = False, timestamps: bool = True, vlan: bool = False) -> float:
    """Return TCP payload over wire bytes, 0 to 1."""
    on_the_wire = mtu + ETHERNET_OVERHEAD_BYTES + (VLAN_TAG_BYTES if vlan else 0)
    return tcp_payload_bytes(mtu, ipv6=ipv6, timestamps=timestamps) / on_the_wire


def tcp_ceiling_mbps(
    link_mbps: float, mtu: int = 1500, *, ipv6: bool = False, timestamps: bool = True, vlan: bool = False
) -> float:
    """Return the most TCP goodput, in Mbit/s, that a full-duplex Ethernet link of ``link_mbps`` can carry."""
    return link_mbps * payload_share(mtu, ipv6=ipv6, timestamps=timestamps, vlan=vlan)


def frames_per_second(link_bps: float, mtu: int = 1500, *, overhead_bytes: int = ETHERNET_OVERHEAD_BYTES) -> int:
    """Return the whole full-size frames a second that a link of ``link_bps`` bit/s carries (RFC 6349, section 4.1.1).

    overhead_bytes: 38 for Ethernet; RFC 6349 uses 8 (7 + 1 flag) for its T3 example.
    """
    return int(link_bps / ((mtu + overhead_bytes) * 8))


_USUAL_MTUS = (1500, 9000)


def segment_share(segment_bytes: int, *, ipv6: bool = False) -> float:
    """Return TCP payload over wire bytes, 0 to 1, of a path whose sender uses segments of ``segment_bytes`` payload.

    The timestamps option is taken to be there (the default of current systems) unless the segment fills a packet of
    1500 or 9000 bytes without it. Raises ValueError for a segment without payload.
    """
    if segment_bytes <= 0:
        raise ValueError(f"a segment has at least one byte of payload, not {segment_bytes}")
    packet = segment_bytes + TCP_HEADER_BYTES + (IPV6_HEADER_BYTES if ipv6 else IPV4_HEADER_BYTES)
    if packet not in _USUAL_MTUS:
        packet += TCP_TIMESTAMP_BYTES
    return segment_bytes / (packet + ETHERNET_OVERHEAD_BYTES)
