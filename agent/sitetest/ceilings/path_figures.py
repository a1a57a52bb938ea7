"""The figures of one path, as plain numbers, from which one says what binds it; and their medians over attempts.

Pure. May import the standard library only.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import expm1, log, sqrt
from statistics import median, stdev


@dataclass(frozen=True, slots=True, kw_only=True)
class PathFigures:
    """What is known of one transfer and the path it took. None: not known.

    throughput_mbps: the figure of record. spread: of its seconds, or over attempts; coefficient of variation, as a
    share. over_internet: whether the path leads beyond the line. simulated: whether the link is none.
    laptop_hop_mbps: speed of the laptop's Ethernet; None on Wi-Fi, and where the system tells no speed, as of a
    loopback. server_hop_mbps: the same of the server. baseline_mbps: goodput that the wired baseline carried in this
    direction. segment_bytes: TCP payload of a full segment; ipv6: the version of IP that it travels in.
    phy_rate_mbps: of the radio link in the direction of the payload, median of the loaded seconds.
    streams, window_bytes, idle_rtt_ms: receive window of one connection, and the round-trip time of the idle path.
    laptop_core_pct, server_core_pct: 0 to 100; what the busiest core reached or passed in a fifth of the seconds.
    laptop_process_share, server_process_share: of one core, used by a process that moves the bytes in one thread; None
    where it has several.
    lan_mbps: goodput of the same case on the LAN leg, for a path over the internet.
    """

    throughput_mbps: float | None = None
    spread: float | None = None
    over_internet: bool = False
    simulated: bool = False
    laptop_hop_mbps: float | None = None
    server_hop_mbps: float | None = None
    baseline_mbps: float | None = None
    segment_bytes: int | None = None
    ipv6: bool = False
    phy_rate_mbps: float | None = None
    streams: int = 1
    window_bytes: float | None = None
    idle_rtt_ms: float | None = None
    laptop_core_pct: float | None = None
    server_core_pct: float | None = None
    laptop_process_share: float | None = None
    server_process_share: float | None = None
    lan_mbps: float | None = None


_FEWEST_FOR_SPREAD = 3


def medians(attempts: Sequence[PathFigures]) -> PathFigures:
    """Return the figures of a case: of each one the median of the attempts that know it, None where none does.

    The spread is the larger of that over the attempts (3 or more) and the median one within them. Raises ValueError
    for no attempts, and for attempts on different legs or with different numbers of streams.
    """
    if not attempts:
        raise ValueError("a case has at least one attempt")
    if len({(one.over_internet, one.streams) for one in attempts}) > 1:
        raise ValueError("attempts of one case are on one leg and have one number of streams")
    values = [one.throughput_mbps for one in attempts if one.throughput_mbps]
    spreads = [_median(one.spread for one in attempts), spread_of(values)]
    segment = _median(one.segment_bytes for one in attempts)
    return replace(
        attempts[0],
        throughput_mbps=_median(one.throughput_mbps for one in attempts),
        spread=max((spread for spread in spreads if spread is not None), default=None),
        simulated=any(one.simulated for one in attempts),
        laptop_hop_mbps=_median(one.laptop_hop_mbps for one in attempts),
        server_hop_mbps=_median(one.server_hop_mbps for one in attempts),
        baseline_mbps=_median(one.baseline_mbps for one in attempts),
        segment_bytes=None if segment is None else round(segment),
        phy_rate_mbps=_median(one.phy_rate_mbps for one in attempts),
        window_bytes=_median(one.window_bytes for one in attempts),
        idle_rtt_ms=_median(one.idle_rtt_ms for one in attempts),
        laptop_core_pct=_median(one.laptop_core_pct for one in attempts),
        server_core_pct=_median(one.server_core_pct for one in attempts),
        laptop_process_share=_median(one.laptop_process_share for one in attempts),
        server_process_share=_median(one.server_process_share for one in attempts),
        lan_mbps=_median(one.lan_mbps for one in attempts),
    )


def spread_of(values: Sequence[float]) -> float | None:
    """Return the coefficient of variation of at least three values above zero, on the log scale (as in
    `stats/summary.py`), as a share; None for fewer and where a value is zero."""
    if len(values) < _FEWEST_FOR_SPREAD or min(values) <= 0:
        return None
    return sqrt(expm1(stdev(map(log, values)) ** 2))


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
