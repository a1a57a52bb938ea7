"""Percentiles with loss, jitter and responsiveness against their published definitions and examples."""

from math import inf

import pytest

from sitetest.stats.latency import (
    interarrival_jitter,
    median,
    percentile,
    responsiveness_rpm,
    summarise,
    trimmed_mean,
)

RFC_2330 = [-2, 7, 7, 4, 18, -5]


@pytest.mark.parametrize(("share", "value"), [(0.25, -2), (0.50, 4), (1.0, 18)])
def test_percentiles_of_rfc_2330(share: float, value: float) -> None:
    """RFC 2330, section 11.3 (its 15th percentile contradicts its own definition and is not used)."""
    assert percentile(RFC_2330, share) == value


def test_lost_probes_are_longer_than_any_other() -> None:
    """RFC 2681, section 2.4 / RFC 7679, section 3.4: {100, 110, undefined, 90, 500} has the 50th percentile 110;
    {100, 110, undefined, 90} the median 105 and the minimum 90."""
    assert percentile([100, 110, inf, 90, 500], 0.5) == 110
    assert median([100, 110, inf, 90]) == 105
    summary = summarise([100.0, 110.0, None, 90.0])
    assert (summary.sent, summary.lost, summary.least_ms, summary.p50_ms) == (4, 1, 90, 105)
    assert summary.p95_ms == inf
    assert summary.loss_pct == 25


def test_of_nothing_nothing_is_said() -> None:
    assert percentile([], 0.5) is None
    assert median([]) is None
    assert trimmed_mean([]) is None
    empty = summarise([])
    assert (empty.p50_ms, empty.p95_ms, empty.least_ms, empty.loss_pct) == (None, None, None, None)
    with pytest.raises(ValueError, match="percentile"):
        percentile([1.0], 0)


def test_a_percentile_is_exact_where_floats_are_not() -> None:
    """0.07 x 100 is 7.000000000000001 in floats; the 7th percentile of 1..100 is 7 all the same."""
    assert percentile(list(range(1, 101)), 0.07) == 7


def test_jitter_of_rfc_3550() -> None:
    """RFC 3550, appendix A.8, worked in exact fractions for transits 10, 12, 11, 15 ms."""
    assert interarrival_jitter([10, 12, 11, 15]) == 0.41845703125
    assert interarrival_jitter([10]) == 0


@pytest.mark.parametrize(
    ("tcp", "tls", "http", "loaded", "rpm"),
    [([20], [20], [20], [40], 2250), ([20], [], [40], [60], 1500)],
)
def test_responsiveness(tcp: list[float], tls: list[float], http: list[float], loaded: list[float], rpm: float) -> None:
    """By the formula of draft-ietf-ippm-responsiveness-09: foreign 3000, loaded 1500; and 2000, 1000 for plain TCP."""
    assert responsiveness_rpm(
        tcp_handshake_ms=tcp, tls_handshake_ms=tls, foreign_http_ms=http, loaded_http_ms=loaded
    ) == pytest.approx(rpm)


@pytest.mark.parametrize(("rtt_ms", "rpm"), [(200, 300), (60, 1000), (10, 6000)])
def test_round_trips_a_minute(rtt_ms: float, rpm: float) -> None:
    """The draft's text: 200, 60 and 10 ms are 300, 1000 and 6000 round trips a minute."""
    same = [rtt_ms]
    assert responsiveness_rpm(
        tcp_handshake_ms=same, tls_handshake_ms=same, foreign_http_ms=same, loaded_http_ms=same
    ) == pytest.approx(rpm)


def test_responsiveness_needs_all_its_parts() -> None:
    assert responsiveness_rpm(tcp_handshake_ms=[1], tls_handshake_ms=[], foreign_http_ms=[], loaded_http_ms=[1]) is None


def test_the_slowest_twentieth_is_left_out() -> None:
    assert trimmed_mean([1.0] * 19 + [1000.0]) == 1.0
    assert trimmed_mean([5.0]) == 5.0
