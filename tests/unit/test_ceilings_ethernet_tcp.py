"""Ethernet and TCP ceilings against the printed tables of RFC 6349."""

from typing import Any

import pytest

from sitetest.ceilings.ethernet import frames_per_second, payload_share, tcp_ceiling_mbps, tcp_payload_bytes
from sitetest.ceilings.tcp import (
    bandwidth_delay_bits,
    buffer_delay_pct,
    connections_needed,
    efficiency_pct,
    least_window_bytes,
    transfer_time_ratio,
    window_bound_mbps,
)


@pytest.mark.parametrize(
    ("mbps", "rtt_ms", "bits", "window_kb"),
    [
        (1.536, 20, 30_720, 3.84),
        (1.536, 50, 76_800, 9.60),
        (1.536, 100, 153_600, 19.20),
        (44.210, 10, 442_100, 55.26),
        (44.210, 15, 663_150, 82.89),
        (44.210, 25, 1_105_250, 138.16),
        (100, 1, 100_000, 12.50),
        (100, 2, 200_000, 25.00),
        (100, 5, 500_000, 62.50),
        (1_000, 0.1, 100_000, 12.50),
        (1_000, 0.5, 500_000, 62.50),
        (1_000, 1, 1_000_000, 125.00),
        (10_000, 0.05, 500_000, 62.50),
        (10_000, 0.3, 3_000_000, 375.00),
    ],
)
def test_bandwidth_delay_and_window(mbps: float, rtt_ms: float, bits: int, window_kb: float) -> None:
    """RFC 6349, table 3.3.1 (KB = 1000 bytes; the table cuts to two decimals)."""
    assert bandwidth_delay_bits(mbps, rtt_ms) == pytest.approx(bits)
    assert least_window_bytes(mbps, rtt_ms) / 1000 == pytest.approx(window_kb, abs=0.01)


def test_bandwidth_delay_of_an_asymmetric_line() -> None:
    """RFC 6349, section 3.3.1: 90 ms with 5 Mbit/s down and 640 kbit/s up."""
    assert bandwidth_delay_bits(5, 90) == pytest.approx(450_000)
    assert bandwidth_delay_bits(0.640, 90) == pytest.approx(57_600)


@pytest.mark.parametrize(
    ("window_kb", "rtt_ms", "printed_mbps"),
    [
        (16, 5, 25.6),
        (16, 10, 12.8),
        (64, 15, 34.1),
        (64, 25, 20.5),
        (16, 15, 8.5),
        (16, 25, 5.1),
        (32, 25, 10.2),
        (128, 25, 40.9),
    ],
)
def test_window_bound(window_kb: int, rtt_ms: float, printed_mbps: float) -> None:
    """RFC 6349, section 3.3.1 (one decimal printed, some values cut and some rounded)."""
    assert window_bound_mbps(window_kb * 1000, rtt_ms) == pytest.approx(printed_mbps, abs=0.07)


@pytest.mark.parametrize(("window_kb", "connections"), [(16, 20), (32, 10), (64, 5), (128, 3)])
def test_connections_that_fill_the_path(window_kb: int, connections: int) -> None:
    """RFC 6349, table 5.1: 500 Mbit/s, 5 ms."""
    assert connections_needed(500, 5, window_kb * 1000) == connections


def test_the_three_metrics() -> None:
    """RFC 6349, sections 4.1.1 to 4.1.3 (98.03 is printed truncated; exact 98.0392)."""
    assert transfer_time_ratio(12, 8) == 1.5
    assert efficiency_pct(102_000, 2_000) == pytest.approx(98.0392157)
    assert buffer_delay_pct(32, 25) == pytest.approx(28)
    assert efficiency_pct(0, 0) is None


@pytest.mark.parametrize(
    ("link_bps", "overhead", "frames"),
    [(44.21e6, 8, 3664), (100e6, 38, 8127), (1e9, 38, 81274), (10e9, 38, 812743)],
)
def test_frames_a_second(link_bps: float, overhead: int, frames: int) -> None:
    """RFC 6349, section 4.1.1."""
    assert frames_per_second(link_bps, overhead_bytes=overhead) == frames


@pytest.mark.parametrize(("link_mbps", "printed_mbps"), [(100, 94.9), (1_000, 949.2), (10_000, 9_492.0)])
def test_most_tcp_throughput(link_mbps: float, printed_mbps: float) -> None:
    """RFC 6349, table 4.1.2; it reckons without the timestamps option."""
    assert tcp_ceiling_mbps(link_mbps, timestamps=False) == pytest.approx(printed_mbps, abs=0.9)
    assert tcp_ceiling_mbps(link_mbps, timestamps=False) == pytest.approx(link_mbps * 1460 / 1538)


@pytest.mark.parametrize(
    ("options", "share"),
    [
        ({"timestamps": False}, 0.949285),
        ({}, 0.941482),
        ({"ipv6": True, "timestamps": False}, 0.936281),
        ({"ipv6": True}, 0.928479),
        ({"vlan": True}, 0.939040),
        ({"mtu": 9000, "timestamps": False}, 0.991370),
        ({"mtu": 9000}, 0.990042),
    ],
)
def test_payload_share(options: dict[str, Any], share: float) -> None:
    """Derivation of RFC 6349, section 4.1.1, with the 12 bytes of the timestamps option (RFC 7323)."""
    assert payload_share(**options) == pytest.approx(share, abs=1e-6)


def test_gigabit_ethernet_carries_about_940_mbps() -> None:
    """Common practice, no source."""
    assert tcp_ceiling_mbps(1000) == pytest.approx(940, abs=5)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="no room"):
        tcp_payload_bytes(40)
    with pytest.raises(ValueError, match="above zero"):
        window_bound_mbps(1000, 0)
    with pytest.raises(ValueError, match="above zero"):
        buffer_delay_pct(1, 0)
    with pytest.raises(ValueError, match="above zero"):
        transfer_time_ratio(1, 0)
