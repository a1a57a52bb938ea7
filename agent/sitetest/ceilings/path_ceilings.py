"""What a path can carry at most, part by part, as far as the parts are known.

    wire        the slowest known Ethernet hop, or what the wired baseline carried if that is less
    link rate   the PHY rate itself; its usual TCP share is no ceiling, since good radios pass it
    window      receive window x streams / round-trip time of the idle path (RFC 6349, section 3.3.1)
    computer    goodput over the share of a core, of a process that moves its bytes in one thread

A supposed ceiling that the goodput exceeds is shown to be none by that, and is left out.
Pure. May import sitetest.ceilings and the standard library only.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from sitetest.ceilings.ethernet import payload_share, segment_share
from sitetest.ceilings.limit_thresholds import CORE_TOLD, EXCEEDED, REACHED
from sitetest.ceilings.path_figures import PathFigures
from sitetest.ceilings.tcp import window_bound_mbps

KIBIBYTE = 1024


class Limit(StrEnum):
    """What binds a case. The values are words of the columns ``binding`` and ``ceiling_by``."""

    WIRE = "wire"
    LINK_RATE = "link_rate"
    AIR = "air"
    LINE = "line"
    LAPTOP = "laptop"
    SERVER = "server"
    WINDOW = "window"
    NOT_KNOWN = "not_known"


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The most that one part of a path allows. what: that part, to stand after "Mbit/s of"."""

    by: Limit
    mbps: float
    what: str

    def is_reached(self, throughput_mbps: float) -> bool:
        """Tell whether a goodput is at this ceiling."""
        return throughput_mbps >= REACHED.value * self.mbps


def ceilings_of(figures: PathFigures) -> tuple[Ceiling, ...]:
    """Return the known ceilings of a path, the lowest first; without those that its own goodput exceeds."""
    seen_mbps = figures.throughput_mbps or 0.0
    known = [one for one in _all_ceilings(figures) if seen_mbps <= EXCEEDED.value * one.mbps]
    return tuple(sorted(known, key=lambda one: one.mbps))


def goodput_share(figures: PathFigures) -> float:
    """Return TCP payload over wire bytes of the path's segments; with 1448 bytes where they are not known."""
    if figures.segment_bytes is None:
        return payload_share(ipv6=figures.ipv6)
    return segment_share(figures.segment_bytes, ipv6=figures.ipv6)


def _all_ceilings(figures: PathFigures) -> Iterator[Ceiling]:
    for hop_mbps, whose in ((figures.laptop_hop_mbps, "laptop"), (figures.server_hop_mbps, "server")):
        if hop_mbps:
            hop = f"a {hop_mbps:.0f} Mbit/s hop ({whose}'s end)"
            yield Ceiling(Limit.WIRE, hop_mbps * goodput_share(figures), hop)
    if figures.baseline_mbps:
        yield Ceiling(Limit.WIRE, figures.baseline_mbps, "the wired baseline")
    if figures.phy_rate_mbps:
        yield Ceiling(Limit.LINK_RATE, figures.phy_rate_mbps, "the PHY rate")
    if figures.window_bytes and figures.idle_rtt_ms:
        bound_mbps = window_bound_mbps(figures.window_bytes * figures.streams, figures.idle_rtt_ms)
        streams = f"{figures.streams} x " if figures.streams > 1 else ""
        window = f"{streams}{figures.window_bytes / KIBIBYTE:.0f} KiB"
        yield Ceiling(Limit.WINDOW, bound_mbps, f"a receive window of {window} in {figures.idle_rtt_ms:.1f} ms")
    for by, share in ((Limit.LAPTOP, figures.laptop_process_share), (Limit.SERVER, figures.server_process_share)):
        if share is not None and share >= CORE_TOLD.value and figures.throughput_mbps:
            yield Ceiling(by, figures.throughput_mbps / share, f"one whole core of the {by}")
