"""What ends a transfer before its time, and what the fate of single streams makes of the whole."""

import asyncio
import json

import pytest

from sitetest.engines.base import CONNECT_TIMEOUT_S, STALL_LIMIT_S, Failure, FailureKind, TransferSpec
from sitetest.engines.failure_translation import Stage, TransferProblem
from sitetest.engines.received_counter import ReceivedCounter
from sitetest.engines.stream_reports import StreamReport, reports_as_text, transfer_failure
from sitetest.engines.transfer_bounds import DEADLINE_MARGIN_S, GIVEN_UP_AFTER_S, TransferBounds
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

SPEC = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=1.0, duration_s=9.0, max_bytes=1000)
DIED = Failure(FailureKind.PEER_DIED, "it went away")
REFUSED = Failure(FailureKind.REFUSED, "nothing listens", 111)


def bounds(stop: asyncio.Event | None = None, lease: Failure | None = None) -> TransferBounds:
    return TransferBounds(SPEC, stop or asyncio.Event(), Stage.DOWNLOAD, "http://counter-server:1", lambda: lease)


def kind(failure: Failure | None) -> FailureKind | None:
    return None if failure is None else failure.kind


def test_a_transfer_that_moves_passes_no_bound() -> None:
    held = bounds()
    assert all(held.exceeded(at_s, (at_s, at_s), 2, at_s) is None for at_s in range(1, 14))


def test_a_stall_is_counted_from_the_last_byte_on_any_stream() -> None:
    held = bounds()
    assert held.exceeded(1.0, (5, 5), 2, 10) is None
    assert held.exceeded(5.0, (5, 6), 2, 11) is None
    assert held.exceeded(4.9 + STALL_LIMIT_S, (5, 6), 2, 11) is None
    failure = held.exceeded(5.0 + STALL_LIMIT_S, (5, 6), 2, 11)
    assert kind(failure) is FailureKind.STALLED
    assert failure is not None
    assert f"limit {STALL_LIMIT_S:g} s" in failure.message
    assert "download at http://counter-server:1" in failure.message


def test_a_transfer_that_never_moves_has_stalled() -> None:
    held = bounds()
    assert held.exceeded(STALL_LIMIT_S - 0.1, (), 0, 0) is None
    assert kind(held.exceeded(STALL_LIMIT_S, (), 0, 0)) is FailureKind.STALLED


def test_streams_that_never_get_a_byte_beside_others_that_do_are_missing() -> None:
    held = bounds()
    limit_s = CONNECT_TIMEOUT_S + STALL_LIMIT_S
    assert all(held.exceeded(at_s, (at_s, 0), 1, at_s) is None for at_s in range(1, int(limit_s)))
    failure = held.exceeded(limit_s, (99, 0), 1, 99)
    assert kind(failure) is FailureKind.STREAMS_MISSING
    assert failure is not None
    assert "1 of 2 streams" in failure.message


def test_the_deadline_is_the_nominal_time_and_a_margin() -> None:
    held = bounds()
    limit_s = CONNECT_TIMEOUT_S + SPEC.total_s + DEADLINE_MARGIN_S
    assert held.exceeded(limit_s - 5, (1, 1), 2, 2) is None
    assert held.exceeded(limit_s - 0.1, (2, 2), 2, 4) is None
    assert kind(held.exceeded(limit_s, (3, 3), 2, 6)) is FailureKind.DEADLINE


def test_the_permitted_volume_is_a_bound() -> None:
    assert bounds().exceeded(1.0, (1, 1), 2, 999) is None
    assert kind(bounds().exceeded(1.0, (1, 1), 2, 1000)) is FailureKind.DATA_CAP


def test_a_stop_and_a_lost_lease_are_bounds() -> None:
    stop = asyncio.Event()
    held = bounds(stop)
    assert held.exceeded(1.0, (1, 1), 2, 2) is None
    stop.set()
    assert kind(held.exceeded(1.1, (1, 1), 2, 2)) is FailureKind.STOPPED
    lost = Failure(FailureKind.LEASE_DENIED, "its time was over")
    assert bounds(lease=lost).exceeded(1.0, (1, 1), 2, 2) is lost


def test_a_connection_that_breaks_after_a_long_silence_was_given_up_by_the_kernel() -> None:
    held = bounds()
    assert held.exceeded(2.0, (5, 5), 2, 10) is None
    assert held.explained(DIED, 3.0) is DIED
    assert held.explained(REFUSED, 2.0 + GIVEN_UP_AFTER_S) is REFUSED
    assert held.explained(None, 2.0 + GIVEN_UP_AFTER_S) is None
    assert kind(held.explained(DIED, 2.0 + GIVEN_UP_AFTER_S)) is FailureKind.LINK_LOST


@pytest.mark.parametrize(
    ("reports", "expected"),
    [
        ([StreamReport(1, 0.1), StreamReport(2, 0.1)], None),
        ([StreamReport(1), StreamReport(2)], None),
        ([StreamReport(1, failure=REFUSED), StreamReport(2)], None),
        ([StreamReport(1, failure=REFUSED), StreamReport(2, failure=REFUSED)], FailureKind.REFUSED),
        ([StreamReport(1, failure=REFUSED), StreamReport(2, 0.1)], FailureKind.STREAMS_MISSING),
        ([StreamReport(1, 0.1), StreamReport(2, 0.1, failure=DIED)], FailureKind.PEER_DIED),
        ([StreamReport(1, failure=REFUSED), StreamReport(2, 0.1, failure=DIED)], FailureKind.PEER_DIED),
    ],
    ids=["all up", "none yet", "one may still come", "none", "one missing", "one broke off", "both kinds"],
)
def test_what_failed_streams_make_of_a_transfer(reports: list[StreamReport], expected: FailureKind | None) -> None:
    assert kind(transfer_failure(reports)) is expected


def test_missing_streams_are_counted_and_the_reason_is_kept() -> None:
    failure = transfer_failure([StreamReport(1, failure=REFUSED), StreamReport(2, 0.1), StreamReport(3, 0.1)])
    assert failure is not None
    assert failure.message == "only 2 of 3 streams came up; nothing listens"
    assert failure.errno == 111


def test_a_stream_keeps_its_own_failure_and_reports_go_into_the_raw_record() -> None:
    report = StreamReport(1, 0.1, 0.2, 300)
    with report.keeping_failure():
        raise TransferProblem(DIED)
    assert report.failure is DIED
    (kept,) = json.loads(reports_as_text([report]))["streams"]
    assert (kept["connected_s"], kept["first_byte_s"], kept["stream_bytes"]) == (0.1, 0.2, 300)
    assert kept["failure"]["kind"] == "peer_died"


def test_received_bytes_are_counted_a_stream_and_against_the_cap() -> None:
    counter = ReceivedCounter(2, max_bytes=10)
    assert counter.add(0, 4)
    assert counter.add(1, 5)
    assert counter.sample(0.5) == Sample(0.5, (4, 5), CountedAs.RECEIVED)
    assert not counter.add(0, 1)
    assert counter.total_bytes == 10
