"""Soak: rates, dips, one label, and the hour of the day."""

import numpy as np
import pytest
from radio_world import soak_night
from scipy.stats import friedmanchisquare

from sitetest.stats.levels import Course
from sitetest.stats.soak import SoakResult, SoakTest, judge_soak
from sitetest.stats.time_of_day import judge_time_of_day


def _night(seed: int, drift: float = 0.0) -> list[SoakTest]:
    hours, mbps = soak_night(np.random.default_rng(seed), dips=0.0, drift=drift)
    return [SoakTest(*both) for both in zip(hours.tolist(), mbps.tolist(), strict=True)]


def _course(result: SoakResult) -> Course | None:
    return result.levels.course if result.levels is not None else None


def test_step_is_placed_and_measured() -> None:
    """A fall by 25 % after test 120: placed within 12 tests (figure of the method), size within 4 points."""
    tests = [
        SoakTest(one.at_h, (one.throughput_mbps or 0) * (0.75 if i >= 120 else 1)) for i, one in enumerate(_night(1))
    ]
    result = judge_soak(tests)
    assert _course(result) is Course.STEP
    assert result.levels is not None
    (step,) = result.levels.steps
    assert abs(step.test - 120) <= 12
    assert step.change == pytest.approx(-0.25, abs=0.04)


def test_step_below_the_margin_is_merged_away() -> None:
    """A clean step of 6 % is found by the search and is of no practical interest at a margin of 10 %."""
    tests = [SoakTest(i / 30, (400.0 if i < 120 else 376.0) + i % 5) for i in range(240)]
    wide, narrow = judge_soak(tests, margin=0.10), judge_soak(tests, margin=0.03)
    assert wide.levels is not None
    assert narrow.levels is not None
    assert wide.levels.steps == ()
    assert len(narrow.levels.steps) == 1
    assert narrow.levels.steps[0].test == 120


def test_drift_has_a_slope_per_hour() -> None:
    """A fall of 20 % over the night of 8 hours is about 2.75 % an hour."""
    result = judge_soak(_night(3, drift=-0.20))
    assert _course(result) is Course.DRIFT
    assert result.levels is not None
    assert result.levels.drift is not None
    assert result.levels.drift.change == pytest.approx(-0.20, abs=0.04)
    assert result.levels.drift.change_per_hour == pytest.approx(0.8 ** (1 / 8) - 1, abs=0.006)


def test_constant_series_is_stable() -> None:
    """No spread at all: no step, no drift, no dip, and no division by zero."""
    result = judge_soak([SoakTest(i / 30, 400.0) for i in range(240)])
    assert _course(result) is Course.STABLE
    assert result.dips == ()


def test_dip_is_found_and_told_apart_from_a_dropout() -> None:
    """One test at 40 % is a dip; one without a value is a dropout."""
    tests = _night(4)
    tests[70] = SoakTest(tests[70].at_h, 160.0)
    tests[90] = SoakTest(tests[90].at_h, None)
    result = judge_soak(tests)
    assert [(dip.at_h, dip.throughput_mbps) for dip in result.dips] == [(tests[70].at_h, 160.0)]
    assert (result.dropouts.count, result.dropouts.n) == (1, 240)
    assert result.dip_rate is not None
    assert (result.dip_rate.count, result.dip_rate.n) == (1, 239)


def test_spike_is_no_dip() -> None:
    """Far above the usual is not a fall."""
    tests = _night(4)
    tests[70] = SoakTest(tests[70].at_h, 1200.0)
    assert judge_soak(tests).dips == ()


def test_steep_drift_is_not_a_staircase() -> None:
    """A fall of 60 % over the night is found as steps as well; the line explains it with fewer parameters."""
    result = judge_soak(_night(8, drift=-0.60))
    assert result.levels is not None
    assert len(result.levels.steps) > 1
    assert result.levels.course is Course.DRIFT


@pytest.mark.parametrize(("count", "minutes"), [(95, 4), (96, 2)])
def test_short_series_has_rates_only(count: int, minutes: int) -> None:
    """Fewer than 96 tests, or less than 4 hours: no label, and the reason."""
    result = judge_soak([SoakTest(i * minutes / 60, 400.0 + i % 7) for i in range(count)])
    assert result.levels is None
    assert result.too_short is not None
    assert str(count) in result.too_short
    assert result.dropouts.n == count


def test_order_of_rows_does_not_matter() -> None:
    """Tests carry their time."""
    tests = _night(5, drift=-0.10)
    assert judge_soak(tests[::-1]) == judge_soak(tests)


def test_nothing_but_failures_has_a_rate() -> None:
    """All failed: a dropout rate of 1, no value, no label."""
    result = judge_soak([SoakTest(i / 30, None) for i in range(5)])
    assert (result.dropouts.share, result.dip_rate, result.levels) == (1.0, None, None)


@pytest.mark.parametrize("value", [0.0, -3.0, float("nan"), float("inf")])
def test_value_that_is_none_is_refused(value: float) -> None:
    """A test without payload is a failed one, not a value of zero."""
    with pytest.raises(ValueError, match="Mbit/s"):
        judge_soak([SoakTest(0.0, value)])


def test_empty_soak_is_refused() -> None:
    """No tests: nothing to judge."""
    with pytest.raises(ValueError, match="at least one"):
        judge_soak([])


def _hours(rng: np.random.Generator, busy: float) -> dict[int, float]:
    return {hour: float(400 * (busy if hour in (19, 20) else 1) * rng.normal(1, 0.02)) for hour in range(17, 24)}


def test_time_of_day_needs_three_nights() -> None:
    """Two nights show hourly medians and give no verdict; three may."""
    rng = np.random.default_rng(6)
    nights = {str(i): _hours(rng, 0.8) for i in range(3)}
    three = judge_time_of_day(nights)
    two = judge_time_of_day({name: nights[name] for name in ("0", "1")})
    assert (two.p, two.matters, len(two.hourly_mbps)) == (None, None, 7)
    assert three.matters is True
    assert three.p == pytest.approx(friedmanchisquare(*[[n[h] for n in nights.values()] for h in range(17, 24)]).pvalue)


def test_time_of_day_uses_the_hours_that_all_nights_have() -> None:
    """An hour missing in one night is left out; too few common hours give no verdict."""
    rng = np.random.default_rng(7)
    nights = {str(i): _hours(rng, 1.0) for i in range(4)}
    del nights["2"][18]
    result = judge_time_of_day(nights)
    assert 18 not in [hour for hour, _ in result.hourly_mbps]
    assert result.matters is False
    assert judge_time_of_day({str(i): {1: 5.0, 2: 6.0} for i in range(4)}).p is None
    assert judge_time_of_day({}).hourly_mbps == ()


def test_equal_hours_do_not_matter() -> None:
    """All hours alike in every night: p 1, and no division by zero."""
    assert judge_time_of_day({str(i): dict.fromkeys(range(4), 400.0) for i in range(3)}).p == 1.0
