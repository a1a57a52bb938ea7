"""The wired baseline in words: held against what the links can carry, and what it will be used for."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from sitetest.report.baseline_text import baseline_document, baseline_lines, wire_ceiling_mbps
from sitetest.store.records import BaselineRecord

GIGABIT = BaselineRecord(
    baseline_id="baseline-1",
    measured_at=datetime(2026, 3, 2, 9, 30, tzinfo=UTC),
    client="laptop",
    server="bench",
    interface="eth0",
    link_mbps=1000,
    server_link_mbps=2500,
    engine="iperf3",
    streams=5,
    duration_s=5.0,
    download_mbps=938.2,
    upload_mbps=941.0,
)


def said(baseline: BaselineRecord) -> str:
    return " ".join(baseline_lines(baseline, "quay-street-bookshop"))


def test_a_healthy_wire_is_held_against_the_slower_of_its_two_links() -> None:
    """1448 payload bytes of the 1538 that a full frame takes (IEEE 802.3; 1538 is printed in RFC 6349, 4.1.1; 1448 with
    the timestamps of RFC 7323): 941.5 of 1000."""
    text = said(GIGABIT)
    assert "over eth0, iperf3 with 5 streams, medians: download 938.2 Mbit/s, upload 941.0 Mbit/s." in text
    assert "1000 Mbit/s, carries at most 941.5 Mbit/s of TCP payload; of that: download 100%, upload 100%." in text
    assert "quay-street-bookshop: a Wi-Fi result near these figures will be said to be bound by the wire" in text
    assert "less than the link allows" not in text
    assert wire_ceiling_mbps(GIGABIT) == pytest.approx(1000 * 1448 / 1538)


def test_a_wire_that_gives_less_than_its_link_allows_is_said() -> None:
    assert "That is less than the link allows" in said(replace(GIGABIT, upload_mbps=700.0))


def test_more_than_the_link_carries_puts_the_told_speed_in_doubt() -> None:
    text = said(replace(GIGABIT, download_mbps=2400.0))
    assert "is not the real one" in text
    assert "less than the link allows" not in text


def test_without_any_known_speed_nothing_is_compared() -> None:
    text = said(replace(GIGABIT, link_mbps=None, server_link_mbps=None))
    assert "Neither end tells the speed" in text
    assert "carries at most" not in text


def test_a_direction_that_was_not_measured_is_no_zero() -> None:
    half = replace(GIGABIT, upload_mbps=None)
    assert "upload not measured" in said(half)
    assert baseline_document(half)["upload_mbps"] is None
    nothing = replace(GIGABIT, download_mbps=None, upload_mbps=None)
    assert "Kept" not in said(nothing)
