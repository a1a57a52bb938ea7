"""The figures of an end-of-run table."""

import math

import numpy as np
import pytest

from sitetest.stats.summary import Summary, summarise


def test_median_and_spread_agree_with_numpy() -> None:
    """A worked case of the method; spread by its definition with numpy's log and std."""
    values = [402.0, 417, 389, 410, 398, 405]
    found = summarise(values)
    assert found.n == 6
    assert found.median_mbps == pytest.approx(np.median(values))
    assert found.spread_cv_pct == pytest.approx(100 * math.sqrt(math.expm1(np.log(values).std(ddof=1) ** 2)))


def test_spread_recovers_the_cv_of_a_lognormal_quantity() -> None:
    """CV = sqrt(exp(s^2) - 1) is the lognormal's own: 20,000 draws at CV 12 % give 12 % within 0.3."""
    sd = math.sqrt(math.log(1 + 0.12**2))
    values = np.exp(np.random.default_rng(5).normal(6, sd, 20_000))
    assert summarise(values.tolist()).spread_cv_pct == pytest.approx(12.0, abs=0.3)
    assert 100 * values.std() / values.mean() == pytest.approx(12.0, abs=0.3)


def test_small_n_says_what_it_cannot_say() -> None:
    """None is "not measured", never 0."""
    assert summarise([]) == Summary(0, None, None)
    one = summarise([400.0])
    assert (one.n, one.median_mbps, one.spread_cv_pct) == (1, 400.0, None)
    assert summarise([400.0, 400.0]).spread_cv_pct == 0.0


@pytest.mark.parametrize("value", [0.0, -3.0, math.nan, math.inf])
def test_what_is_no_value_is_refused(value: float) -> None:
    """A failure is counted elsewhere, never averaged in."""
    with pytest.raises(ValueError, match="above zero"):
        summarise([400.0, value])
