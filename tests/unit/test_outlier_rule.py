"""The declared outlier rule for one case: published data, rates by simulation, symmetry and limits."""

import math
import random
from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.stats.outliers import FLOOR_LOG, c_n, label_outliers

# NIST/SEMATECH e-Handbook 1.3.5.17.1, the Grubbs example: 245.57 is the outlier of eight readings.
HANDBOOK_1_3_5_17_1 = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)

# Two-level and one-dip cases of the project's method, worked (figures from scipy and statsmodels there).
CASE_4_ONE_DIP = (512.0, 498, 505, 520, 221, 509, 495, 516)
CASE_5_TWO_LEVELS_A = (480.0, 475, 482, 330, 478, 325, 484, 335)
CASE_5_TWO_LEVELS_B = (478.0, 481, 476, 483, 474, 480, 328, 485)

POSITIVE = st.floats(min_value=1e-3, max_value=1e5)


def test_the_handbook_outlier_is_found_once_the_readings_stand_on_its_own_scale() -> None:
    """The e-Handbook labels 245.57 alone (modified z 29.96, the others at most 1.40; limit 3.5). Its readings lie
    within a factor 1.25 of the median, which our floor leaves alone on purpose; drawn apart tenfold on the log scale,
    distances keep their ratios and the floor does not act."""
    assert label_outliers(HANDBOOK_1_3_5_17_1).labelled == ()
    assert max(HANDBOOK_1_3_5_17_1) / median(HANDBOOK_1_3_5_17_1) < 1.25
    apart = [200 * (value / 200) ** 10 for value in HANDBOOK_1_3_5_17_1]
    assert label_outliers(apart).labelled == (7,)


@pytest.mark.parametrize(
    ("values", "labelled", "may_clip"),
    [(CASE_4_ONE_DIP, (4,), True), (CASE_5_TWO_LEVELS_A, (3, 5, 7), False), (CASE_5_TWO_LEVELS_B, (6,), True)],
)
def test_the_method_document_cases_are_labelled_as_published(
    values: tuple[float, ...], labelled: tuple[int, ...], may_clip: bool
) -> None:
    """Section 11, cases 4 and 5: flags 1, 3 and 1; with three of eight the guard keeps a clip away."""
    found = label_outliers(values)
    assert found.labelled == labelled
    assert found.may_clip is may_clip


def test_below_three_values_nothing_is_labelled() -> None:
    """n >= 3 in the rule: of two values neither is the outlier."""
    for values in ([], [400.0], [400.0, 4.0]):
        found = label_outliers(values)
        assert (found.labelled, found.median_mbps, found.limit_factor) == ((), None, None)


def test_three_values_with_one_far_off_label_it_although_the_guard_forbids_a_clip() -> None:
    """Labels and clip part company here: floor(3 / 5) = 0."""
    found = label_outliers([400.0, 404.0, 90.0])
    assert found.labelled == (2,)
    assert found.may_clip is False


def test_equal_values_leave_the_floor_as_limit() -> None:
    """A scale of zero must not label everything: e-Handbook gives no rule for MAD = 0, ours is the factor 1.25."""
    limit = 400 * math.exp(FLOOR_LOG)
    assert label_outliers([400.0] * 6 + [limit * 0.9999]).labelled == ()
    assert label_outliers([400.0] * 6 + [limit * 1.0001]).labelled == (6,)
    assert label_outliers([400.0] * 6).limit_factor == pytest.approx(1.25)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_what_is_no_value_is_refused(value: float) -> None:
    """A transfer that delivered nothing is a failure and must never reach the rule as a number."""
    with pytest.raises(ValueError, match="finite and above zero"):
        label_outliers([400.0, 401.0, value])


@settings(deadline=None)
@given(st.lists(POSITIVE, min_size=3, max_size=12), st.floats(min_value=0.01, max_value=100))
def test_the_unit_does_not_matter(values: list[float], factor: float) -> None:
    """Values near the limit may fall to either side of it by rounding; all others keep their label."""
    found = label_outliers(values)
    again = label_outliers([value * factor for value in values])
    assert found.median_mbps is not None
    assert found.limit_factor is not None
    for place in set(found.labelled) ^ set(again.labelled):
        distance = abs(math.log(values[place] / found.median_mbps))
        assert distance == pytest.approx(math.log(found.limit_factor), rel=1e-6)


@settings(deadline=None)
@given(st.lists(POSITIVE, min_size=3, max_size=12), st.randoms(use_true_random=False))
def test_the_order_does_not_matter(values: list[float], shuffler: random.Random) -> None:
    """The rule is about a set of values."""
    shuffled = list(values)
    shuffler.shuffle(shuffled)
    before, after = label_outliers(values), label_outliers(shuffled)
    assert sorted(values[place] for place in before.labelled) == sorted(shuffled[place] for place in after.labelled)


@pytest.mark.parametrize("n", [3, 4, 5, 6, 8, 10, 14])
def test_c_n_makes_the_robust_standard_deviation_unbiased(n: int) -> None:
    """Mean of 1.4826 MAD / c_n over normal samples of sd 1 is 1. 20,000 draws: standard error below 0.006 at n = 3."""
    draw = random.Random(n)
    total = 0.0
    for _ in range(20_000):
        values = [draw.gauss(0, 1) for _ in range(n)]
        centre = median(values)
        total += 1.4826 * median(abs(value - centre) for value in values) / c_n(n)
    assert total / 20_000 == pytest.approx(1.0, abs=0.025)


def _share_labelled(cv: float, n: int, cells: int = 4_000, seed: int = 11) -> float:
    draw = random.Random(seed)
    sd = math.sqrt(math.log(1 + cv**2))
    hits = sum(bool(label_outliers([math.exp(draw.gauss(6, sd)) for _ in range(n)]).labelled) for _ in range(cells))
    return hits / cells


@pytest.mark.parametrize("n", [3, 5, 8, 10])
def test_clean_cases_at_cv_5_per_cent_are_not_labelled(n: int) -> None:
    """docs/method.md: the rule labels next to no clean case at CV 5 %."""
    assert _share_labelled(0.05, n) <= 0.002


@pytest.mark.parametrize("n", [5, 8, 10])
def test_clean_cases_at_cv_15_per_cent_on_their_own_scale(n: int) -> None:
    """Seen: 7 to 10 % of cells. The 3-4 % of the method's simulation are those of the wider rule for a *pair*
    (next test); alone, the modified z-score without floor and c_n labels 13-29 %."""
    assert 0.05 <= _share_labelled(0.15, n) <= 0.12


def test_the_rule_for_a_pair_is_the_one_with_three_to_four_per_cent() -> None:
    """By simulation, at n = 8 and CV 15 %: the pooled scale, with b_8 = .858, is the larger one mostly."""
    draw = random.Random(3)
    sd = math.sqrt(math.log(1 + 0.15**2))
    hits = 0
    cells = 4_000
    for _ in range(cells):
        one, other = ([draw.gauss(6, sd) for _ in range(8)] for _ in range(2))
        pooled = [abs(value - median(values)) for values in (one, other) for value in values]
        scales = (1.4826 * median(pooled) / 0.858, 1.4826 * median(abs(x - median(one)) for x in one) / c_n(8))
        limit = max(3.5 * max(scales), FLOOR_LOG)
        hits += any(abs(value - median(one)) > limit for value in one)
    assert 0.025 <= hits / cells <= 0.045


def test_dips_of_30_to_70_per_cent_are_labelled() -> None:
    """Method document 6 and 12: 99 % of them at n = 8 and CV 5 % (allowed >= 97 %)."""
    draw = random.Random(17)
    found = 0
    cells = 2_000
    for _ in range(cells):
        values = [math.exp(draw.gauss(6, 0.05)) for _ in range(8)]
        values[0] *= 1 - draw.uniform(0.3, 0.7)
        found += 0 in label_outliers(values).labelled
    assert found / cells >= 0.97
