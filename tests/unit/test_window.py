"""The measuring window: what counts, and that no byte is invented or lost at its edges."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.engines.window import (
    Window,
    counts_at,
    goodput_mbps,
    longest_stall_s,
    measuring_window,
    received_in,
    seconds_of,
)
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


def received(at_s: float, *stream_bytes: int) -> Sample:
    return Sample(at_s=at_s, stream_bytes=stream_bytes, counted_as=CountedAs.RECEIVED)


def steady(rate_bytes_s: float, until_s: float, *, streams: int = 1, period_s: float = 0.1) -> list[Sample]:
    ticks = round(until_s / period_s)
    return [received(tick * period_s, *[round(rate_bytes_s * tick * period_s)] * streams) for tick in range(ticks + 1)]


def test_the_window_starts_when_the_last_stream_has_its_first_byte_and_the_warm_up_is_over() -> None:
    samples = [received(0.0, 0, 0), received(0.1, 10, 0), received(0.2, 20, 0), received(0.3, 30, 5)]
    samples += [received(0.3 + 0.1 * tick, 30 + 10 * tick, 5 + 10 * tick) for tick in range(1, 60)]
    window = measuring_window(samples, streams=2, warm_up_s=1.0, duration_s=2.0)
    assert window is not None
    assert (window.start_s, window.end_s) == pytest.approx((1.3, 3.3))


def test_the_window_ends_at_the_common_stop_when_that_comes_first() -> None:
    window = measuring_window(steady(1000, 4.0), streams=1, warm_up_s=1.0, duration_s=30.0)
    assert window is not None
    assert window.end_s == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("samples", "why"),
    [
        ([], "nothing was seen"),
        ([received(0.0, 0), received(1.0, 500)], "the second stream never came up"),
        ([received(0.0, 0, 0), received(1.0, 500, 0)], "the second stream never got a byte"),
        ([received(0.0, 1, 1), received(0.5, 2, 2)], "it ended inside the warm-up"),
    ],
)
def test_no_window_when(samples: list[Sample], why: str) -> None:
    assert measuring_window(samples, streams=2, warm_up_s=1.0, duration_s=5.0) is None, why


def test_a_window_has_a_length() -> None:
    with pytest.raises(ValueError, match="length"):
        Window(2.0, 2.0)


def test_goodput_is_bytes_inside_the_window_over_the_window() -> None:
    """125,000 byte/s are 1 Mbit/s; the warm-up ran at ten times that and must not show."""
    fast = [received(0.1 * tick, 125_000 * tick) for tick in range(11)]
    slow = [received(1.0 + 0.1 * tick, 1_250_000 + 12_500 * tick) for tick in range(1, 51)]
    window = measuring_window(fast + slow, streams=1, warm_up_s=1.4, duration_s=3.0)
    assert window is not None
    assert goodput_mbps(fast + slow, window) == pytest.approx(1.0)


def test_a_stream_that_came_late_counts_from_zero() -> None:
    samples = [received(0.0, 100), received(1.0, 200, 50)]
    assert counts_at(samples, 0.5) == pytest.approx((150, 25))


def test_outside_the_samples_the_counts_stand_still() -> None:
    samples = [received(1.0, 100), received(2.0, 200)]
    assert counts_at(samples, 0.0) == (100,)
    assert counts_at(samples, 9.0) == (200,)


def test_counting_needs_samples() -> None:
    with pytest.raises(ValueError, match="no samples"):
        counts_at([], 0.0)


@given(
    steps=st.lists(
        st.tuples(st.floats(0.01, 0.5), st.integers(0, 10**7), st.integers(0, 10**7)), min_size=3, max_size=80
    ),
    warm_up_s=st.floats(0, 3),
    duration_s=st.floats(0.1, 10),
)
def test_seconds_add_up_to_the_window_whatever_the_samples(
    steps: list[tuple[float, int, int]], warm_up_s: float, duration_s: float
) -> None:
    samples, at_s, first, second = [], 0.0, 0, 0
    for step_s, first_more, second_more in steps:
        at_s, first, second = at_s + step_s, first + first_more, second + second_more
        samples.append(received(at_s, first, second))
    window = measuring_window(samples, streams=2, warm_up_s=warm_up_s, duration_s=duration_s)
    if window is None:
        return
    seconds = seconds_of(samples, window)
    total = received_in(samples, window)
    assert sum(sum(second.stream_bytes) for second in seconds) == pytest.approx(total, abs=1e-3)
    assert sum(second.length_s for second in seconds) == pytest.approx(window.length_s)
    assert all(second.length_s <= 1.0 + 1e-9 for second in seconds)
    assert 0 <= total <= samples[-1].total_bytes


def test_a_stall_is_the_longest_stretch_without_a_byte() -> None:
    samples = [received(0.0, 0), received(1.0, 10), received(2.0, 10), received(4.5, 10), received(5.0, 20)]
    assert longest_stall_s(samples) == pytest.approx(3.5)
    assert longest_stall_s(samples[:1]) == 0.0
    assert longest_stall_s([]) == 0.0


def test_a_transfer_that_never_began_is_one_long_stall() -> None:
    assert longest_stall_s([received(0.0, 0), received(6.0, 0)]) == pytest.approx(6.0)
