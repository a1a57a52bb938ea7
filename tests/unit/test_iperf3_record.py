"""libiperf's own record: read strictly, and good enough for seconds where the kernel tells nothing.

The records here are cut down by hand from the form that iperf3(1) -J prints (from memory of 3.12, and checked against a
live run by test_iperf3_loopback.py).
"""

import json
from typing import Any

import pytest

from sitetest.engines.iperf3_record import error_in, first_object, samples_from_record
from sitetest.engines.window import goodput_mbps, measuring_window
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


def _interval(*byte_counts: int, seconds: float = 1.0, omitted: bool = False) -> dict[str, Any]:
    streams = [
        {"socket": 5 + 2 * index, "seconds": seconds, "bytes": count, "omitted": omitted}
        for index, count in enumerate(byte_counts)
    ]
    return {"streams": streams, "sum": {"seconds": seconds, "bytes": sum(byte_counts), "omitted": omitted}}


def test_intervals_become_cumulative_samples() -> None:
    """One sample an interval, from zero on, the streams in their order."""
    record = {"intervals": [_interval(100, 200), _interval(10, 20, seconds=0.5)]}
    assert samples_from_record(record) == (
        Sample(0.0, (0, 0), CountedAs.RECEIVED),
        Sample(1.0, (100, 200), CountedAs.RECEIVED),
        Sample(1.5, (110, 220), CountedAs.RECEIVED),
    )


def test_omitted_intervals_do_not_count() -> None:
    """libiperf restarts its clock after them."""
    record = {"intervals": [_interval(999, omitted=True), _interval(100)]}
    assert [sample.total_bytes for sample in samples_from_record(record)] == [0, 100]


def test_the_window_of_record_samples() -> None:
    """Five seconds of 1 MB each, one second of warm-up: the window starts a second after the first full interval."""
    samples = samples_from_record({"intervals": [_interval(500_000, 500_000) for _ in range(5)]})
    window = measuring_window(samples, streams=2, warm_up_s=1.0, duration_s=3.0)
    assert window is not None
    assert (window.start_s, window.end_s) == (2.0, 5.0)
    assert goodput_mbps(samples, window) == pytest.approx(8.0)


@pytest.mark.parametrize(
    "record",
    [
        None,
        {},
        {"intervals": []},
        {"intervals": [{}]},
        {"intervals": 3},
        {"intervals": [{"streams": [{"bytes": "x", "seconds": 1}]}]},
        {"intervals": [{"streams": [{"bytes": 1}]}]},
        {"intervals": [{"streams": 7}]},
        {"intervals": ["text"]},
    ],
)
def test_a_record_without_usable_intervals_gives_nothing(record: Any) -> None:
    """It never raises."""
    assert samples_from_record(record) == ()


def test_the_first_object_counts() -> None:
    """Some versions print the record twice, some a text after it, some a line before it."""
    one, two = json.dumps({"n": 1}, indent=1), json.dumps({"n": 2})
    assert first_object(one + "\n" + two) == {"n": 1}
    assert first_object("warning: something\n" + one + "iperf3: error") == {"n": 1}


@pytest.mark.parametrize("raw", ["", "no json", '{"cut": ', "[1]", "{bad}"])
def test_no_whole_object_is_none(raw: str) -> None:
    """A library that was killed while it printed leaves half an object."""
    assert first_object(raw) is None


def test_the_error_of_a_record() -> None:
    """Only a text with something in it is an error."""
    assert error_in({"error": "error - the server has terminated", "end": {"sum_received": {}}}) is not None
    assert error_in({"end": {}}) is None
    assert error_in({"error": "  "}) is None
    assert error_in(None) is None
