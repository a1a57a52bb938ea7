"""Published worked examples, for what our functions compute themselves.

Our estimates work on logs of throughputs; the same functions are given the published values as they stand where the
example is about a difference, and their logs where it is about a ratio.
"""

import json
from math import log
from pathlib import Path
from statistics import median
from typing import TypedDict, cast

import pytest
from printed import agrees, assert_agree

from sitetest.stats.case_estimate import mean_and_variance
from sitetest.stats.clip import clip_pair
from sitetest.stats.family import hold_family
from sitetest.stats.outliers import MAD_TO_SD, SCALES, absolute_deviations
from sitetest.stats.pair import margin_log, welch

FIXTURES = Path(__file__).parent.parent / "fixtures"


class Certified(TypedDict):
    """One data set of the fixture file."""

    n: int
    data: list[str] | str
    certified_mean: str
    certified_sd: str


STRD = cast(dict[str, Certified], json.loads((FIXTURES / "strd_univariate.json").read_text(encoding="utf-8")))

# NIST StRD, certified values (NumAcc1 to 4 are short enough to be made here).
NUM_ACC = [
    ("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-14),
    ("NumAcc2", [1.2] + [1.1, 1.3] * 500, 1.2, 0.1, 1e-13),
    ("NumAcc3", [1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, 1e-8),
    # float64 cannot hold these data to more digits than this (rounding of the input)
    ("NumAcc4", [10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, 1e-8),
]


@pytest.mark.parametrize("name", sorted(STRD))
def test_mean_and_sd_have_the_certified_digits(name: str) -> None:
    """NIST StRD univariate: mean to 14 and standard deviation to 12 significant digits."""
    entry = STRD[name]
    values = [float(value) for value in entry["data"]]
    assert len(values) == entry["n"]
    mean, variance = mean_and_variance(values)
    assert mean == pytest.approx(float(entry["certified_mean"]), rel=1e-14)
    assert variance**0.5 == pytest.approx(float(entry["certified_sd"]), rel=1e-12)


@pytest.mark.parametrize(("name", "values", "mean", "sd", "tolerance"), NUM_ACC, ids=lambda value: str(value)[:8])
def test_numerical_accuracy_sets(name: str, values: list[float], mean: float, sd: float, tolerance: float) -> None:
    """NIST StRD NumAcc1 to 4: no sum of squares that cancels (a naive one gives an SD of 0 on NumAcc4)."""
    found, variance = mean_and_variance(values)
    assert found == pytest.approx(mean, rel=1e-14)
    assert variance**0.5 == pytest.approx(sd, rel=tolerance)


# "An Introduction to R", section 8.3 (heat of fusion of ice)
ICE_A = [79.98, 80.04, 80.02, 80.04, 80.03, 80.03, 80.04, 79.97, 80.05, 80.03, 80.02, 80.00, 80.02]
ICE_B = [80.02, 79.94, 79.98, 79.97, 79.97, 80.03, 79.95, 79.97]
# R data set "sleep"
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_welch_of_the_introduction_to_r() -> None:
    """t 3.2499, df 12.027, p 0.00694, 95 % interval 0.01385526 .. 0.07018320 ("An Introduction to R", 8.3)."""
    found = welch(ICE_B, ICE_A)
    interval = found.interval(0.95)
    assert_agree((found.estimate / found.se, found.df, found.p_different()), "3.2499 12.027 0.00694")
    assert_agree((log(interval.low), log(interval.high)), "0.01385526 .. 0.07018320")


def test_welch_of_the_sleep_data_takes_the_groups_as_independent() -> None:
    """t -1.8608, df 17.776, p 0.07939, interval -3.3654832 .. 0.2054832 (R documentation of t.test).

    The paired test on the same data gives p 0.002833: the two must not be mixed up.
    """
    found = welch(SLEEP_2, SLEEP_1)
    interval = found.interval(0.95)
    assert_agree((found.estimate / found.se, found.df, found.p_different()), "-1.8608 17.776 0.07939")
    assert_agree((log(interval.low), log(interval.high)), "-3.3654832 .. 0.2054832")


# statsmodels' own test data for TOST, with values from the R package equivalence
# fmt: off
TOST_1 = ([2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84],
          [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02])
TOST_2 = ([4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32],
          [3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73])
# fmt: on


@pytest.mark.parametrize(
    ("groups", "se_df", "interval", "p"),
    [
        (TOST_1, "0.2531625991083627 26.7484787582315", "-0.2666862980722 .. 0.596019631405587", 0.04853083976236974),
        (TOST_2, "0.2149871904637392 24.11000151062728", "0.194916250699966 .. 0.930417082633366", 0.4317936812594803),
    ],
    ids=["equivalent", "different, size unclear"],
)
def test_equivalence_of_two_groups(
    groups: tuple[list[float], list[float]], se_df: str, interval: str, p: float
) -> None:
    """TOST with unequal variances and a margin of 0.6 (R package values quoted in statsmodels' test suite)."""
    first, second = groups
    found = welch(second, first)
    assert found.p_equivalent(0.6) == pytest.approx(p, rel=1e-9)
    for value, printed in zip((found.se, found.df), se_df.split(), strict=True):
        assert value == pytest.approx(float(printed), rel=1e-12)
    shown = found.interval(0.90)
    low, _, high = interval.split()
    assert (log(shown.low), log(shown.high)) == pytest.approx((float(low), float(high)), abs=1e-9)


def test_equivalence_of_a_ratio() -> None:
    """The same data as a ratio with margin 1.25: p 0.01047085593138891 (R package value in statsmodels' suite)."""
    first, second = ([log(value) for value in group] for group in TOST_1)
    assert welch(second, first).p_equivalent(margin_log(0.25)) == pytest.approx(0.01047085593138891, rel=1e-9)


@pytest.mark.parametrize(
    ("p_values", "adjusted"),
    [
        # p-values from a published example, adjusted by hand from the thresholds .0125 .01667 .025 .05
        ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
        # statsmodels' own test data
        (
            [0.001, 0.002, 0.003, 0.004, 0.005, 0.05, 0.06, 0.07, 0.08, 0.09],
            [0.01, 0.018, 0.024, 0.028, 0.03, 0.25, 0.25, 0.25, 0.25, 0.25],
        ),
        ([0.002, 0.004, 0.006, 0.008, 0.010, 0.012], [0.012, 0.02, 0.024, 0.024, 0.024, 0.024]),
    ],
)
def test_holm(p_values: list[float], adjusted: list[float]) -> None:
    """Holm's adjusted p-values, and exactly those at or below 5 % fall."""
    held = hold_family(p_values, 0.05, len(p_values))
    assert [one.adjusted for one in held] == pytest.approx(adjusted)
    assert [one.rejected for one in held] == [value <= 0.05 for value in adjusted]


# NIST e-Handbook 1.3.5.17.1 (mass spectrometer) and 1.3.5.17.3 (Rosner's data)
GRUBBS = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# fmt: off
ROSNER = [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
          1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
          2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
# fmt: on


def test_median_deviation_behind_the_modified_z_score() -> None:
    """Median 201.37, MAD 0.995, modified z of 245.57 is 29.9627 and of no other above 1.397 (e-Handbook formula).

    The modified z uses 0.6745; our factor 1.4826 is its reciprocal to the digits printed.
    """
    deviations = absolute_deviations(GRUBBS)
    assert agrees(median(deviations), "0.995")
    scores = [0.6745 * deviation / median(deviations) for deviation in deviations]
    assert agrees(scores[-1], "29.9627")
    assert max(scores[:-1]) <= 1.3971
    assert agrees(1 / 0.6745, "1.4826")
    assert MAD_TO_SD == 1.4826
    assert SCALES == 3.5


def test_our_rule_flags_what_grubbs_flags() -> None:
    """e-Handbook 1.3.5.17.1: the only outlier is 245.57 (G 2.469 over 2.032)."""
    clipped, _ = clip_pair(GRUBBS, GRUBBS)
    assert clipped.flagged == (7,)
    assert clipped.logs[:7] == tuple(GRUBBS[:7])
    assert clipped.logs[7] < 245.57


def test_our_rule_flags_what_generalized_esd_flags() -> None:
    """e-Handbook 1.3.5.17.3: three outliers, 5.34, 5.42 and 6.01; stopping at the first miss would find none."""
    clipped, _ = clip_pair(ROSNER, ROSNER)
    assert [ROSNER[i] for i in clipped.flagged] == [5.34, 5.42, 6.01]
