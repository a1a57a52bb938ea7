"""The arithmetic of RFC 6349, Framework for TCP Throughput Testing.

Pure. May import the standard library only.
"""

from math import ceil


def bandwidth_delay_bits(rate_mbps: float, rtt_ms: float) -> float:
    """Return the bandwidth-delay product in bits: RTT x bottleneck bandwidth (RFC 6349, section 3.3.1)."""
    return rate_mbps * 1e6 * rtt_ms / 1e3


def least_window_bytes(rate_mbps: float, rtt_ms: float) -> float:
    """Return the smallest receive window, in bytes, that can fill the path (RFC 6349, section 3.3.1)."""
    return bandwidth_delay_bits(rate_mbps, rtt_ms) / 8


def window_bound_mbps(window_bytes: float, rtt_ms: float) -> float:
    """Return the throughput in Mbit/s that a receive window allows: window x 8 / RTT (RFC 6349, section 3.3.1)."""
    if rtt_ms <= 0:
        raise ValueError(f"a round-trip time is above zero, not {rtt_ms} ms")
    return window_bytes * 8 / (rtt_ms / 1e3) / 1e6


def connections_needed(rate_mbps: float, rtt_ms: float, window_bytes: float) -> int:
    """Return how many connections of that window fill the path (RFC 6349, table 5.1)."""
    return ceil(least_window_bytes(rate_mbps, rtt_ms) / window_bytes)


def efficiency_pct(transmitted_bytes: float, retransmitted_bytes: float) -> float | None:
    """Return TCP efficiency in per cent (RFC 6349, section 4.1.2). transmitted_bytes includes what was sent again.

    None when nothing was transmitted.
    """
    if transmitted_bytes <= 0:
        return None
    return (transmitted_bytes - retransmitted_bytes) / transmitted_bytes * 100


def buffer_delay_pct(loaded_rtt_ms: float, baseline_rtt_ms: float) -> float:
    """Return the growth of the mean RTT under load over the baseline RTT, in per cent (RFC 6349, section 4.1.3)."""
    if baseline_rtt_ms <= 0:
        raise ValueError(f"a baseline round-trip time is above zero, not {baseline_rtt_ms} ms")
    return (loaded_rtt_ms - baseline_rtt_ms) / baseline_rtt_ms * 100


def transfer_time_ratio(actual_s: float, ideal_s: float) -> float:
    """Return actual over ideal transfer time (RFC 6349, section 4.1.1)."""
    if ideal_s <= 0:
        raise ValueError(f"an ideal transfer time is above zero, not {ideal_s} s")
    return actual_s / ideal_s
