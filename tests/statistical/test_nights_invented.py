"""Nights through the whole analysis, from records to findings: what was planted is found where it was, and nights in
which nothing happens are called so at the rate that the method states.

Rates: the method's acceptance table for a soak (nothing, AR .3: 98 % stable seen, at least 94 % required), as a
binomial bound on the counts of 200 (scipy). The bound on dips takes them as one a night at most, which they nearly are.
"""

from datetime import UTC, timedelta

import pytest
from made_night import a_series, at_h, falling, made_night, outage, stepping, watched
from scipy.stats import binom

from sitetest.nights.summary import summarise
from sitetest.stats.levels import Course
from sitetest.store.soak_events import Cause

NIGHTS = 200
ROUND = timedelta(seconds=120)


def most_often(share: float, nights: int = NIGHTS) -> int:
    """Return the largest count that a true share of ``share`` brings about with 99.9 %."""
    return int(binom.ppf(0.999, nights, share))


def test_clean_nights_invent_no_more_than_the_method_states() -> None:
    moved = dips = 0
    for seed in range(NIGHTS):
        (case,) = summarise(made_night(a_series(8, 120, seed=seed)), UTC).configs[0].cases
        assert case.levels is not None
        moved += case.levels.course is not Course.STABLE
        dips += len(case.dips)
        assert case.failed is not None
        assert case.failed.count == 0
    assert moved <= most_often(0.06)
    assert dips <= most_often(0.04)  # 0.02 false dips a night of 240 tests at CV 6 %, with room for autocorrelation


def test_a_lasting_change_is_found_within_one_round_of_where_it_was_planted() -> None:
    found = within = covered = 0
    nights = 60
    for seed in range(nights):
        hour = 2.0 + (seed * 7 % 40) / 10
        night = made_night(a_series(8, 120, seed=seed, level=stepping(hour, -0.25)))
        (case,) = summarise(night, UTC).configs[0].cases
        found += len(case.steps) == 1
        if len(case.steps) == 1:
            (step,) = case.steps
            within += abs(step.at - at_h(hour)) <= ROUND
            covered += step.between[0] <= at_h(hour) <= step.between[1]
            assert step.change == pytest.approx(-0.25, abs=0.06)
    assert nights - found <= most_often(0.02, nights)
    assert found - within <= most_often(0.02, nights)
    assert found - covered <= most_often(0.05, nights)


def test_an_hour_that_was_slow_is_two_changes_and_a_drift_is_none() -> None:
    """One hour at -25 %: always a step in the method's table. A drift of -15 %: 98 of 100 nights, without a step."""
    steps = drifts = 0
    for seed in range(40):
        hour = made_night(a_series(8, 120, seed=seed, level=lambda h: 225.0 if 3 <= h < 4 else 300.0))
        (case,) = summarise(hour, UTC).configs[0].cases
        steps += case.levels is not None and case.levels.course is Course.STEP and len(case.steps) == 2
        fall = made_night(a_series(8, 120, seed=seed, level=falling(-0.15, 8)))
        (case,) = summarise(fall, UTC).configs[0].cases
        drifts += case.levels is not None and case.levels.course is Course.DRIFT
    assert 40 - steps <= most_often(0.05, 40)
    assert 40 - drifts <= most_often(0.05, 40)


def test_planted_dips_dropouts_and_failures_are_found_at_their_times_and_no_others() -> None:
    """Dips of two thirds at CV 6 %: the method finds 94 % of dips of 20 to 70 %."""
    found = invented = 0
    nights = 30
    for seed in range(nights):
        planted = (30 + seed, 90 + seed, 171)
        happenings = [*outage(1.5, 0.9), *outage(3.2, 45.0, Cause.LINK), *outage(5.0, 240.0, Cause.SERVER)]
        night = made_night(
            a_series(8, 120, seed=seed, dips=planted, failed=(150, 151)), watched(8, happenings, every_s=10), happenings
        )
        summary = summarise(night, UTC)
        (case,) = summary.configs[0].cases
        at = {dip.at for dip in case.dips}
        wanted = {at_h(number / 30) for number in planted}
        found += len(at & wanted)
        invented += len(at - wanted)
        assert case.failed is not None
        assert case.failed.count == 2
        assert [(one.began_at, one.length_s) for one in summary.dropouts] == [(at_h(1.5), 0.9), (at_h(3.2), 45.0)]
    assert 3 * nights - found <= most_often(0.02, 3 * nights)
    assert invented <= most_often(0.02, nights)
