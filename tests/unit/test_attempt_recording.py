"""From samples to the row and its seconds."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from visit_fakes import steady

from sitetest.engines.base import TransferResult, TransferSpec
from sitetest.visit.recording import second_records
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

SPEC = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=1.0, duration_s=4.0)


def sender(rtts_ms: dict[float, float], retransmits: dict[float, int]) -> tuple[Sample, ...]:
    """Acked bytes from 0.1 s on, ten samples a second, on a clock that began 0 at its own start."""
    times = [0.0] + [round(0.1 * number, 1) for number in range(1, 53)]
    samples = []
    count = 0
    for at_s in times:
        count = retransmits.get(at_s, count)
        rtt_ms = next((value for begin_s, value in sorted(rtts_ms.items(), reverse=True) if at_s > begin_s), 1.0)
        acked = (round(at_s * 1e6),) * 2
        samples.append(Sample(at_s, acked, CountedAs.ACKED, rtt_ms=(rtt_ms, rtt_ms + 2), retransmits=count))
    return tuple(samples)


def test_seconds_carry_the_senders_round_trip_time_and_retransmits() -> None:
    """The window begins 1.1 s after the start at either end; 20 ms in its second 0, 40 ms from second 2 on (mean of two
    streams 2 ms apart: one more), and 3, 0, 5, 0 segments sent again."""
    tells = sender({0.0: 20.0, 3.1: 40.0}, {1.5: 3, 3.5: 8})
    result = replace(steady(SPEC), sender=tells)
    records = second_records(result)
    assert [record.rtt_ms for record in records] == pytest.approx([21.0, 21.0, 41.0, 41.0])
    assert [record.retransmits for record in records] == [3, 0, 5, 0]


def test_what_the_sender_does_not_tell_is_not_measured() -> None:
    """None, never 0."""
    for result in (
        steady(SPEC),
        replace(steady(SPEC), sender=tuple(replace(s, rtt_ms=None, retransmits=None) for s in sender({}, {}))),
    ):
        records = second_records(result)
        assert len(records) == 4
        assert {(record.rtt_ms, record.retransmits) for record in records} == {(None, None)}


def test_a_transfer_without_a_window_has_no_seconds() -> None:
    """Nothing was measured."""
    assert second_records(TransferResult(SPEC)) == ()
    assert second_records(steady(SPEC, until_s=0.9)) == ()


@settings(deadline=None)
@given(st.floats(min_value=1.2, max_value=5.1), st.floats(min_value=1, max_value=5000))
def test_the_seconds_add_up_to_the_figure_of_record(until_s: float, rate_mbps: float) -> None:
    """Bytes of all seconds are the bytes of the window, also when the transfer ended early."""
    result = steady(SPEC, rate_mbps, until_s)
    window = result.window
    assert window is not None
    records = second_records(result)
    assert sum(sum(record.stream_bytes) for record in records) == pytest.approx(result.received_bytes, abs=1.0)
    assert sum(record.length_s for record in records) == pytest.approx(window.length_s)
