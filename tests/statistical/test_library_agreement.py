"""Our few lines against scipy and statsmodels, on random data, to 1e-9."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind

from sitetest.stats.case_estimate import estimate_case
from sitetest.stats.clip import clip_pair
from sitetest.stats.family import hold_family
from sitetest.stats.pair import compare_logs, margin_log, welch
from sitetest.stats.rates import rate
from sitetest.stats.rules import Correction
from sitetest.stats.student_t import quantile, upper_tail

DRAWS = 200


def test_pair_test_agrees_with_scipy_and_statsmodels() -> None:
    """p-values of both questions and the interval, on the clipped logs; spreads above the SD floor."""
    rng = np.random.default_rng(20)
    margin = margin_log(0.10)
    for _ in range(DRAWS):
        n_a, n_b = rng.integers(3, 13, 2)
        a = rng.normal(6, rng.uniform(0.03, 0.3), n_a).tolist()
        b = rng.normal(6 + rng.normal(0, 0.1), rng.uniform(0.03, 0.3), n_b).tolist()
        clipped_a, clipped_b = (np.array(case.logs) for case in clip_pair(a, b))
        if min(clipped_a.std(ddof=1), clipped_b.std(ddof=1)) <= 0.01:
            continue
        ours = compare_logs(a, b, 0.10)
        assert ours is not None
        theirs = stats.ttest_ind(clipped_b, clipped_a, equal_var=False)
        assert ours.p_difference == pytest.approx(theirs.pvalue, abs=1e-9, rel=1e-9)
        assert ours.ratio.df == pytest.approx(theirs.df, rel=1e-9)
        p_equivalence = ttost_ind(clipped_b, clipped_a, -margin, margin, usevar="unequal")[0]
        assert ours.p_equivalence == pytest.approx(p_equivalence, abs=1e-9, rel=1e-9)
        for level in (0.95, 0.9917):
            interval = ours.ratio.interval(level)
            bounds = theirs.confidence_interval(level)
            assert np.log([interval.low, interval.high]) == pytest.approx(np.array([bounds.low, bounds.high]), abs=1e-9)


def test_sd_floor_is_welch_with_floored_spreads() -> None:
    """Below an SD of 0.01 both p and interval are those of Welch from summary statistics with SD 0.01."""
    rng = np.random.default_rng(21)
    for _ in range(DRAWS):
        n_a, n_b = (int(n) for n in rng.integers(3, 13, 2))
        a, b = rng.normal(6, 0.002, n_a), rng.normal(6.01, 0.05, n_b)
        sd_a, sd_b = (max(float(x.std(ddof=1)), 0.01) for x in (a, b))
        theirs = stats.ttest_ind_from_stats(b.mean(), sd_b, n_b, a.mean(), sd_a, n_a, equal_var=False)
        assert welch(a.tolist(), b.tolist()).p_different() == pytest.approx(theirs.pvalue, abs=1e-9)


def test_case_interval_agrees_with_scipy() -> None:
    """The interval of one case is scipy's t interval of the mean log."""
    rng = np.random.default_rng(22)
    for _ in range(DRAWS):
        logs = rng.normal(6, rng.uniform(0.02, 0.3), int(rng.integers(3, 13)))
        if logs.std(ddof=1) <= 0.01:
            continue
        ours = estimate_case(logs.tolist())
        assert ours is not None
        low, high = stats.t.interval(0.95, len(logs) - 1, loc=logs.mean(), scale=stats.sem(logs))
        assert (np.log(ours.low_mbps), np.log(ours.high_mbps)) == pytest.approx((low, high), abs=1e-9)


def test_student_t_agrees_with_scipy_stats() -> None:
    """Tails and quantiles for whole and broken degrees of freedom, far into the tail."""
    for df in (2.0, 2.37, 5.5, 11.0, 38.0):
        for t in (0.0, 0.3, 2.0, 8.0, 40.0):
            assert upper_tail(t, df) == pytest.approx(stats.t.sf(t, df), rel=1e-9)
        for p in (0.5, 0.8, 0.975, 1 - 0.0002):
            assert quantile(p, df) == pytest.approx(stats.t.ppf(p, df), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("correction", list(Correction))
def test_family_agrees_with_statsmodels(correction: Correction) -> None:
    """Adjusted p-values and what falls, ties, ones and missing comparisons included."""
    rng = np.random.default_rng(23)
    for _ in range(DRAWS // 4):
        size = int(rng.integers(1, 9))
        p_values = np.minimum(np.round(rng.beta(0.3, 2, size), 3), 1.0).tolist()
        missing = int(rng.integers(0, 4))
        rejected, adjusted, _, _ = multipletests([*p_values, *[1.0] * missing], 0.05, method=correction.value)
        held = hold_family(p_values, 0.05, size + missing, correction)
        assert [one.adjusted for one in held] == pytest.approx(adjusted[:size].tolist(), abs=1e-12)
        assert [one.rejected for one in held] == rejected[:size].tolist()


def test_level_of_a_hypothesis_says_whether_it_fell() -> None:
    """A hypothesis fell exactly when its p is at or below the level that comes with it."""
    rng = np.random.default_rng(24)
    for _ in range(DRAWS):
        p_values = rng.beta(0.3, 3, 6).tolist()
        for p, one in zip(p_values, hold_family(p_values, 0.05, 6), strict=True):
            assert one.rejected == (p <= one.level)


def test_rate_agrees_with_the_beta_quantiles() -> None:
    """Clopper-Pearson from its definition by beta quantiles (scipy)."""
    for count, n in ((0, 5), (3, 17), (17, 17), (40, 240)):
        found = rate(count, n)
        low = stats.beta.ppf(0.025, count, n - count + 1) if count else 0.0
        high = stats.beta.ppf(0.975, count + 1, n - count) if count < n else 1.0
        assert (found.low, found.high) == pytest.approx((low, high), abs=1e-9)
