"""What both computers and the wire did while the measuring window ran. Pure.

Other traffic is what the laptop's interface counted beside the test, both directions together: its bytes, less the
test's payload with the headers of full frames (`sitetest_wire/interface_traffic.py` has the figures and what they may
be off), less what an upload sent again. A loopback counts every byte twice and carries the server's own as well: there
it is not known.

TCP efficiency is RFC 6349's (section 4.1.2) over the whole transfer. What the sender transmitted is not counted by
anybody; it is taken as what arrived and what was sent again in full segments, which overstates the latter when the last
segment of a burst was shorter.

May import engines, observe, ceilings.tcp, visit.timeline, sitetest_wire and the standard library only.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from statistics import median
from typing import Protocol, TypeVar

from sitetest.ceilings.tcp import efficiency_pct
from sitetest.engines.base import TransferResult
from sitetest.engines.window import counts_at
from sitetest.observe.host import HostSample
from sitetest.observe.interface import InterfaceKind
from sitetest.observe.observed import Observed
from sitetest.visit.timeline import Timeline
from sitetest_wire.interface_traffic import other_traffic
from sitetest_wire.words import Direction

ENOUGH_OF_SECOND = 0.5
"""A sample stands for a second of the window when it covers at least this share of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HostFigures:
    """Columns of an attempt, as `store.records.AttemptRecord` names them. Cores: median over the window's seconds of
    the busiest one."""

    interface: str | None = None
    interface_kind: str | None = None
    link_mbps: int | None = None
    server_link_mbps: int | None = None
    mss_bytes: int | None = None
    tcp_efficiency_pct: float | None = None
    busiest_core_pct: float | None = None
    server_busiest_core_pct: float | None = None
    other_traffic_pct: float | None = None
    plugged: bool | None = None


def host_figures(result: TransferResult, observed: Observed, line: Timeline | None) -> HostFigures:
    """Return them; link_mbps is of a wired interface only: a radio's rate is no speed of the wire."""
    interface, server = observed.interface, result.server_host
    wired = interface is not None and interface.kind is not InterfaceKind.WIFI
    inside = () if line is None else in_window(observed.host, line.start_s, line.end_s)
    there = () if line is None or server is None else in_window(
        server.seconds, line.server_start_s, line.server_start_s + line.end_s - line.start_s
    )  # fmt: skip
    plugged = {sample.plugged for sample in observed.host} - {None}
    return HostFigures(
        interface=None if interface is None else interface.name,
        interface_kind=None if interface is None or interface.kind is None else interface.kind.value,
        link_mbps=interface.speed_mbps if interface is not None and wired else None,
        server_link_mbps=None if server is None else server.speed_mbps,
        mss_bytes=result.mss_bytes,
        tcp_efficiency_pct=tcp_efficiency_pct(result),
        busiest_core_pct=_median(sample.busiest_core_pct for sample in inside),
        server_busiest_core_pct=_median(second.busiest_core_pct for second in there),
        other_traffic_pct=None if line is None else other_traffic_pct(result, inside, line),
        plugged=all(plugged) if plugged else None,
    )


def tcp_efficiency_pct(result: TransferResult) -> float | None:
    """Return TCP efficiency; None where retransmits, or their size, are not known."""
    if result.retransmits is None or (result.retransmits > 0 and result.mss_bytes is None):
        return None
    again_bytes = result.retransmits * (result.mss_bytes or 0)
    return efficiency_pct(result.moved_bytes + again_bytes, again_bytes)


def other_traffic_pct(result: TransferResult, samples: Sequence[HostSample], line: Timeline) -> float | None:
    """Return what else the laptop's interface carried, in per cent of the test's own payload over the same seconds.

    samples: those of the window. None when the interface's bytes are not known, on a loopback, or without payload.
    """
    parts = [_traffic(result, sample, line) for sample in samples]
    known = [part for part in parts if part is not None]
    payload_bytes = sum(payload for _, payload, _ in known)
    if payload_bytes <= 0:
        return None
    other = other_traffic(sum(seen for seen, _, _ in known), payload_bytes, sum(length for _, _, length in known))
    return 100 * other.mbps * 1e6 / 8 * sum(length for _, _, length in known) / payload_bytes


def other_mbps(result: TransferResult, sample: HostSample, line: Timeline) -> float | None:
    """Return what else the laptop's interface carried during one host sample, in Mbit/s; None as for
    :func:`other_traffic_pct`."""
    part = _traffic(result, sample, line)
    return None if part is None else other_traffic(*part).mbps


class Span(Protocol):
    """Something that covers ``length_s`` seconds up to ``at_s``."""

    @property
    def at_s(self) -> float: ...
    @property
    def length_s(self) -> float: ...


Covering = TypeVar("Covering", bound=Span)


def in_window(spans: Iterable[Covering], start_s: float, end_s: float) -> tuple[Covering, ...]:
    """Return those whose middle lies in the window."""
    return tuple(span for span in spans if start_s <= span.at_s - span.length_s / 2 < end_s)


def covering(spans: Iterable[Covering], start_s: float, end_s: float) -> Covering | None:
    """Return the one that covers most of a second; None when none covers ENOUGH_OF_SECOND of it."""

    def covered_s(span: Covering) -> float:
        return min(span.at_s, end_s) - max(span.at_s - span.length_s, start_s)

    best = max(spans, key=covered_s, default=None)
    return best if best is not None and covered_s(best) >= ENOUGH_OF_SECOND * (end_s - start_s) else None


def _traffic(result: TransferResult, sample: HostSample, line: Timeline) -> tuple[float, float, float] | None:
    """Bytes of the interface, of the test's payload as it left, and seconds, of one sample."""
    if sample.received_bytes is None or sample.sent_bytes is None or sample.length_s <= 0 or _on_loopback(result):
        return None
    until_s = sample.at_s - line.receiver_zero_s
    from_s = until_s - sample.length_s
    payload_bytes = sum(counts_at(result.receiver, until_s)) - sum(counts_at(result.receiver, from_s))
    if result.spec.direction is Direction.UPLOAD and result.retransmits and result.mss_bytes and result.moved_bytes:
        payload_bytes *= 1 + result.retransmits * result.mss_bytes / result.moved_bytes
    return sample.received_bytes + sample.sent_bytes, payload_bytes, sample.length_s


def _on_loopback(result: TransferResult) -> bool:
    return result.local_address is not None and ip_address(result.local_address.partition("%")[0]).is_loopback


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
