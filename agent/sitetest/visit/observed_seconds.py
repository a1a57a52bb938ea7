"""Puts what the observers saw beside the seconds of a transfer. Pure.

    latency    probes sent in the second: the median of those answered, and how many were lost
    link       the sample nearest to the middle of the second
    hosts      the sample that covers most of it

How well the clocks are lined up: `timeline.py`. May import engines.base, observe, stats.latency, store.records,
visit.timeline, visit.link_figures, visit.host_figures, sitetest_wire and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import replace

from sitetest.engines.base import TransferResult
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.observe.probe_record import Phase
from sitetest.stats.latency import median
from sitetest.store.records import SecondRecord
from sitetest.visit.host_figures import covering, other_mbps
from sitetest.visit.link_figures import signal_dbm
from sitetest.visit.timeline import Timeline


def with_observed(
    records: Sequence[SecondRecord], result: TransferResult, observed: Observed, line: Timeline | None
) -> tuple[SecondRecord, ...]:
    """Return the seconds with what was seen beside each; as they are when the clocks cannot be lined up."""
    if line is None:
        return tuple(records)
    return tuple(_observed(record, result, observed, line) for record in records)


def _observed(record: SecondRecord, result: TransferResult, observed: Observed, line: Timeline) -> SecondRecord:
    from_s = line.start_s + record.second
    until_s = from_s + record.length_s
    rtts_ms = () if observed.latency is None else observed.latency.rtts_ms(Phase.LOADED, from_s=from_s, until_s=until_s)
    answered_ms = [rtt_ms for rtt_ms in rtts_ms if rtt_ms is not None]
    link = _nearest(() if observed.link is None else observed.link.samples, from_s, until_s)
    host = covering(observed.host, from_s, until_s)
    there = None
    if result.server_host is not None:
        server_from_s = line.server_start_s + record.second
        there = covering(result.server_host.seconds, server_from_s, server_from_s + record.length_s)
    return replace(
        record,
        probe_rtt_ms=median(answered_ms),
        probes_lost=len(rtts_ms) - len(answered_ms) if rtts_ms else None,
        rssi_dbm=None if link is None else signal_dbm(link),
        tx_rate_mbps=None if link is None or link.tx is None else link.tx.mbps,
        rx_rate_mbps=None if link is None or link.rx is None else link.rx.mbps,
        channel=None if link is None else link.channel,
        width_mhz=None if link is None else link.width_mhz,
        bssid_label=None if link is None else link.bssid,
        busiest_core_pct=None if host is None else host.busiest_core_pct,
        server_busiest_core_pct=None if there is None else there.busiest_core_pct,
        other_mbps=None if host is None else other_mbps(result, host, line),
    )


def _nearest(samples: Sequence[LinkSample], from_s: float, until_s: float) -> LinkSample | None:
    inside = [sample for sample in samples if from_s <= sample.at_s < until_s]
    return min(inside, key=lambda sample: abs(sample.at_s - (from_s + until_s) / 2), default=None)
