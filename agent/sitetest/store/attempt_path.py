"""From a kept attempt to the figures of the path that it took, for `ceilings/binding.py`. Pure.

What a record does not keep as a column of its own (the receive window) is taken back out of its ceiling where that is
what the ceiling came from. May import the records, ceilings and the standard library only.
"""

from collections.abc import Sequence

from sitetest.ceilings.ethernet import tcp_ceiling_mbps
from sitetest.ceilings.limit_thresholds import REACHED
from sitetest.ceilings.moving_thread import moved_in_one_thread
from sitetest.ceilings.path_ceilings import Limit
from sitetest.ceilings.path_figures import PathFigures, spread_of
from sitetest.ceilings.tcp import least_window_bytes
from sitetest.store.records import AttemptRecord, BaselineRecord

ETHERNET = "ethernet"
"""The word of column ``interface_kind`` for a cable."""

BUSY_RANK = 0.8
"""A core load that a fifth of the seconds reach or pass."""


def path_of(record: AttemptRecord, baseline: BaselineRecord | None = None) -> PathFigures:
    """Return the figures of one attempt. baseline: of the wire to the same server; None when it was never measured."""
    is_wired = record.interface_kind == ETHERNET
    is_download = record.direction == "download"
    one_thread = moved_in_one_thread(record.engine_version)
    over_internet = record.leg == "internet"
    return PathFigures(
        throughput_mbps=record.throughput_mbps,
        spread=spread_of([second.throughput_mbps for second in record.seconds]),
        over_internet=over_internet,
        simulated=any(flag.name == "simulated" for flag in record.flags),
        laptop_hop_mbps=record.link_mbps if is_wired else None,
        server_hop_mbps=record.server_link_mbps,
        baseline_mbps=None if over_internet else _carried_mbps(baseline, is_wired=is_wired, is_download=is_download),
        segment_bytes=record.mss_bytes,
        ipv6=":" in (record.local_address or ""),
        phy_rate_mbps=record.rx_rate_mbps if is_download else record.tx_rate_mbps,
        streams=record.streams,
        window_bytes=_window_bytes(record),
        idle_rtt_ms=record.rtt_idle_ms,
        laptop_core_pct=_core_pct([second.busiest_core_pct for second in record.seconds], record.busiest_core_pct),
        server_core_pct=_core_pct(
            [second.server_busiest_core_pct for second in record.seconds], record.server_busiest_core_pct
        ),
        laptop_process_share=record.client_cpu_share if one_thread else None,
        server_process_share=record.server_cpu_share if record.engine == "http" else None,
    )


def _carried_mbps(baseline: BaselineRecord | None, *, is_wired: bool, is_download: bool) -> float | None:
    """Return the goodput of the baseline, unless the cable of the laptop that took it was its limit and is not part of
    this path: it then says only that the rest of the wire carries at least as much."""
    if baseline is None:
        return None
    carried_mbps = baseline.download_mbps if is_download else baseline.upload_mbps
    own_mbps, server_mbps = baseline.link_mbps, baseline.server_link_mbps
    if carried_mbps is None or is_wired or own_mbps is None or server_mbps is None or own_mbps >= server_mbps:
        return carried_mbps
    return None if carried_mbps >= REACHED.value * tcp_ceiling_mbps(own_mbps) else carried_mbps


def _window_bytes(record: AttemptRecord) -> float | None:
    if record.ceiling_by != Limit.WINDOW or not record.ceiling_mbps or not record.rtt_idle_ms:
        return None
    return least_window_bytes(record.ceiling_mbps, record.rtt_idle_ms) / record.streams


def _core_pct(seconds: Sequence[float | None], whole: float | None) -> float | None:
    known = sorted(load for load in seconds if load is not None)
    return known[int(BUSY_RANK * len(known))] if known else whole
