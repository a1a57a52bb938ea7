"""What a list of round-trip times says: percentiles with loss, delay variation, responsiveness.

A probe that was never answered is lost: its round-trip time is undefined and counts as longer than any other in
percentiles (RFC 2681, section 2.4; RFC 7679, section 3.4), so that loss cannot make latency look better.

Pure. May import the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor, inf
from statistics import stdev

RESPONSIVENESS_DRAFT = "draft-ietf-ippm-responsiveness-09"
"""The revision that :func:`responsiveness_rpm` follows; earlier ones have another formula (-04) or interval (-07)."""


def percentile(values: Sequence[float], share: float) -> float | None:
    """Return the smallest value x with F(x) >= ``share`` (0 < share <= 1), F the empirical distribution function
    (RFC 2330, section 11.3). Lost probes are passed in as ``inf``. None for no values."""
    if not 0 < share <= 1:
        raise ValueError(f"a percentile is above 0 and at most 1, not {share}")
    if not values:
        return None
    rank = ceil(Fraction(str(share)) * len(values))
    return sorted(values)[rank - 1]


def median(values: Sequence[float]) -> float | None:
    """Return the median: the mean of the middle two for an even number (RFC 2330, section 11.3). None for no values."""
    if not values:
        return None
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


@dataclass(frozen=True, slots=True)
class LatencySummary:
    """Round-trip times of one phase, in ms. sent, lost: probes. A percentile is ``inf`` when it falls among the lost
    probes, None when nothing was sent. least_ms: None when nothing was answered."""

    sent: int
    lost: int
    least_ms: float | None
    p50_ms: float | None
    p95_ms: float | None
    p99_ms: float | None

    @property
    def loss_pct(self) -> float | None:
        """Lost over sent in per cent; None when nothing was sent."""
        return None if self.sent == 0 else 100 * self.lost / self.sent


def summarise(rtts_ms: Sequence[float | None]) -> LatencySummary:
    """Summarise the probes of one phase. None stands for a probe that was never answered."""
    answered = [rtt for rtt in rtts_ms if rtt is not None]
    as_delays = [inf if rtt is None else rtt for rtt in rtts_ms]
    return LatencySummary(
        sent=len(rtts_ms),
        lost=len(rtts_ms) - len(answered),
        least_ms=min(answered, default=None),
        p50_ms=median(as_delays),
        p95_ms=percentile(as_delays, 0.95),
        p99_ms=percentile(as_delays, 0.99),
    )


def interarrival_jitter(transits: Sequence[float]) -> float:
    """Return the running jitter of RFC 3550, appendix A.8, after the last of these transit times, in their unit.

    J += (|D| - J) / 16, D the difference of neighbouring transits; 0 with fewer than two.
    """
    jitter = 0.0
    for before, now in pairwise(transits):
        jitter += (abs(now - before) - jitter) / 16
    return jitter


def trimmed_mean(values: Sequence[float], share: float = 0.95) -> float | None:
    """Return the single-sided trimmed mean of the responsiveness draft: values above the 95th percentile are dropped.

    The draft leaves open how the count rounds; here floor(n x share) smallest values stay, at least one. None for none.
    """
    if not values:
        return None
    kept = sorted(values)[: max(1, floor(Fraction(str(share)) * len(values)))]
    return sum(kept) / len(kept)


def responsiveness_rpm(
    *,
    tcp_handshake_ms: Sequence[float],
    tls_handshake_ms: Sequence[float],
    foreign_http_ms: Sequence[float],
    loaded_http_ms: Sequence[float],
) -> float | None:
    """Return responsiveness in round trips a minute (draft-ietf-ippm-responsiveness-09).

        foreign = 60000 / mean of the trimmed means of TCP, TLS and HTTP on connections of their own
        loaded  = 60000 / trimmed mean of HTTP (or, without multiplexing, of TCP) on a loaded connection
        result  = (foreign + loaded) / 2

    tls_handshake_ms: empty for plain TCP; the foreign mean is then over two. None when another list is empty.
    """
    parts = [trimmed_mean(tcp_handshake_ms), trimmed_mean(foreign_http_ms)]
    if tls_handshake_ms:
        parts.append(trimmed_mean(tls_handshake_ms))
    loaded = trimmed_mean(loaded_http_ms)
    known = [part for part in parts if part is not None]
    if loaded is None or len(known) < len(parts):
        return None
    foreign_rpm = 60_000 / (sum(known) / len(known))
    return (foreign_rpm + 60_000 / loaded) / 2


MAD_INTERVALS = 4
INTERVAL_S = 5.0
STABLE_SHARE = 0.05
"""MAD, ID and SDT of draft-ietf-ippm-responsiveness-09."""


class Confidence(StrEnum):
    """How sure the draft lets one be: ``LOW`` below MAD intervals, ``HIGH`` when the last MAD values were stable."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class ForeignTimed:
    """One probe on a connection of its own: when, and what TCP, TLS (None without) and HTTP took, in ms."""

    at_s: float
    tcp_ms: float
    tls_ms: float | None
    http_ms: float


@dataclass(frozen=True, slots=True)
class LoadedTimed:
    """One round-trip time of a loaded connection, in ms, and when."""

    at_s: float
    rtt_ms: float


@dataclass(frozen=True, slots=True)
class Responsiveness:
    """rpm: round trips a minute over the last MAD intervals; None when there is nothing to compute it from.

    draft: the revision that it follows. foreign, loaded: how many values went in. confidence: None as for ``rpm``.
    """

    rpm: float | None
    draft: str
    foreign: int
    loaded: int
    confidence: Confidence | None


def responsiveness(
    foreign: Sequence[ForeignTimed], loaded: Sequence[LoadedTimed], *, start_s: float, end_s: float
) -> Responsiveness:
    """Return the responsiveness at ``end_s`` of a load that began at ``start_s``, all times on one clock.

    The value of an interval is over the probes of it and the MAD - 1 before it, as far as the load had begun. It is
    stable when the standard deviation of the last MAD values is below SDT of the last one; of the two that the draft
    could mean, the sample's is taken.
    """
    intervals = floor((end_s - start_s) / INTERVAL_S + 1e-9)
    values = [
        _rpm_between(foreign, loaded, max(start_s, end - MAD_INTERVALS * INTERVAL_S), end)
        for end in (end_s - back * INTERVAL_S for back in range(min(MAD_INTERVALS, max(intervals, 1))))
    ]
    rpm, foreign_count, loaded_count = values[0]
    known = [value for value, _, _ in values if value is not None]
    if rpm is None:
        confidence = None
    elif intervals < MAD_INTERVALS:
        confidence = Confidence.LOW
    elif len(known) == MAD_INTERVALS and stdev(known) < STABLE_SHARE * rpm:
        confidence = Confidence.HIGH
    else:
        confidence = Confidence.MEDIUM
    return Responsiveness(rpm, RESPONSIVENESS_DRAFT, foreign_count, loaded_count, confidence)


def _rpm_between(
    foreign: Sequence[ForeignTimed], loaded: Sequence[LoadedTimed], from_s: float, until_s: float
) -> tuple[float | None, int, int]:
    here = [probe for probe in foreign if from_s <= probe.at_s < until_s]
    loaded_ms = [value.rtt_ms for value in loaded if from_s <= value.at_s < until_s]
    rpm = responsiveness_rpm(
        tcp_handshake_ms=[probe.tcp_ms for probe in here],
        tls_handshake_ms=[probe.tls_ms for probe in here if probe.tls_ms is not None],
        foreign_http_ms=[probe.http_ms for probe in here],
        loaded_http_ms=loaded_ms,
    )
    return rpm, len(here), len(loaded_ms)
