"""What the round trips say of an attempt. Pure.

A percentile that falls among lost probes has no value: it is longer than anything that was waited for, and a number
would be an invention. Such an attempt has its loss in `probe_loss_pct`, and null in the percentile.

The baseline of RFC 6349 is the shortest round trip of the idle path before the load (its section 3.2 wants the inherent
delay of the path); the mean under load is over the answered probes of the measuring window, which are evenly spread, so
that it is the RFC's mean over seconds.

May import engines.base, observe, stats.latency, ceilings.tcp, visit.timeline and the standard library only.
"""

from dataclasses import dataclass
from math import isfinite
from statistics import fmean

from sitetest.ceilings.tcp import buffer_delay_pct
from sitetest.engines.base import TransferResult
from sitetest.engines.window import measuring_window
from sitetest.observe.observed import Observed
from sitetest.observe.probe_record import NoLatency, Phase
from sitetest.stats.latency import (
    RESPONSIVENESS_DRAFT,
    ForeignTimed,
    LoadedTimed,
    responsiveness,
    summarise,
)
from sitetest.visit.timeline import Timeline

NO_REFLECTOR_KNOWN = "no_reflector_known"
"""The far end named none: a plain web server, or a server that could not open one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LatencyFigures:
    """Columns of an attempt, as `store.records.AttemptRecord` names them."""

    rtt_idle_ms: float | None = None
    rtt_loaded_p50_ms: float | None = None
    rtt_loaded_p95_ms: float | None = None
    rtt_after_ms: float | None = None
    probe_loss_pct: float | None = None
    buffer_delay_pct: float | None = None
    responsiveness_rpm: float | None = None
    responsiveness_draft: str | None = None
    latency_why: str | None = None


def latency_figures(result: TransferResult, observed: Observed, line: Timeline | None) -> LatencyFigures:
    """Return them. latency_why: a code word when no probe was answered at all, or none was due in the window."""
    rpm = responsiveness_rpm(result, observed, line)
    draft = None if rpm is None else RESPONSIVENESS_DRAFT
    record = observed.latency
    if record is None:
        why = NoLatency.NOT_SAMPLED if observed.load_from_s is None else NO_REFLECTOR_KNOWN
        return LatencyFigures(responsiveness_rpm=rpm, responsiveness_draft=draft, latency_why=str(why))
    idle = summarise(record.rtts_ms(Phase.IDLE_BEFORE))
    after = summarise(record.rtts_ms(Phase.IDLE_AFTER))
    rtts_ms = () if line is None else record.rtts_ms(Phase.LOADED, from_s=line.start_s, until_s=line.end_s)
    loaded = summarise(rtts_ms)
    answered_ms = [rtt_ms for rtt_ms in rtts_ms if rtt_ms is not None]
    why_none = record.why or (NoLatency.NOT_SAMPLED if loaded.sent == 0 else None)
    return LatencyFigures(
        rtt_idle_ms=_finite(idle.p50_ms),
        rtt_loaded_p50_ms=_finite(loaded.p50_ms),
        rtt_loaded_p95_ms=_finite(loaded.p95_ms),
        rtt_after_ms=_finite(after.p50_ms),
        probe_loss_pct=loaded.loss_pct,
        buffer_delay_pct=(
            buffer_delay_pct(fmean(answered_ms), idle.least_ms) if answered_ms and idle.least_ms is not None else None
        ),
        responsiveness_rpm=rpm,
        responsiveness_draft=draft,
        latency_why=None if why_none is None else str(why_none),
    )


def responsiveness_rpm(result: TransferResult, observed: Observed, line: Timeline | None) -> float | None:
    """Return responsiveness at the end of the window, in round trips a minute (see `observe/responsiveness.py`).

    Both kinds of times are put on one axis, seconds since the window began, each on its own machine's clock. None
    without foreign probes, or where the sender does not tell its round-trip times.
    """
    spec = result.spec
    sender_window = (
        measuring_window(result.sender, spec.streams, spec.warm_up_s, spec.duration_s) if result.sender else None
    )
    if line is None or sender_window is None:
        return None
    foreign = [
        ForeignTimed(probe.sent_at_s - line.start_s, probe.times.tcp_ms, probe.times.tls_ms, probe.times.http_ms)
        for probe in observed.foreign
        if probe.times is not None
    ]
    loaded = [
        LoadedTimed(sample.at_s - sender_window.start_s, rtt_ms)
        for sample in result.sender
        for rtt_ms in sample.rtt_ms or ()
    ]
    return responsiveness(foreign, loaded, start_s=-spec.warm_up_s, end_s=line.end_s - line.start_s).rpm


def _finite(value_ms: float | None) -> float | None:
    return value_ms if value_ms is not None and isfinite(value_ms) else None
