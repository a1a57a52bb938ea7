"""Planning: the table of turns, the chances, and the constants of the outlier rule."""

import numpy as np
import pytest

from sitetest.stats.clip import clip_pair, pair_factor
from sitetest.stats.outliers import MAD_TO_SD, c_n
from sitetest.stats.power import chance, turns_for
from sitetest.stats.rules import ComparisonRules

# Planning table of the method: margin 10 %, K = 6 / K = 1, None for more than 80. Columns: difference in per cent.
DIFFERENCES = (0, 5, 10, 15, 20, 30)
TABLE = {
    3: "5/4 12/8 5/4 4/3 3/3 3/3",
    5: "10/7 29/20 9/7 6/4 4/3 3/3",
    8: "22/15 72/48 20/14 11/7 7/5 5/4",
    12: "48/32 - 43/29 21/14 13/9 8/5",
    15: "73/48 - 66/44 32/21 20/13 11/7",
}


@pytest.mark.parametrize("cv", sorted(TABLE))
def test_planning_table(cv: int) -> None:
    """Every cell of the printed table."""
    for difference, printed in zip(DIFFERENCES, TABLE[cv].split(), strict=True):
        turns = [turns_for(difference / 100, cv / 100, ComparisonRules(family_size=k)) for k in (6, 1)]
        assert turns == ([None, None] if printed == "-" else [int(word) for word in printed.split("/")])


def test_chance_grows_with_turns_and_falls_with_spread() -> None:
    """More turns find more; more spread finds less; a difference at the margin is never shown to be none."""
    rules = ComparisonRules(family_size=6)
    by_turns = [chance(0.10, turns, 0.05, rules).faster for turns in (3, 4, 6, 8, 10, 40)]
    assert by_turns == sorted(by_turns)
    assert by_turns[-1] > 0.99
    by_spread = [chance(0.0, 10, cv, rules).no_practical_difference for cv in (0.03, 0.05, 0.08, 0.15)]
    assert by_spread == sorted(by_spread, reverse=True)
    assert chance(0.10, 40, 0.03, rules).no_practical_difference <= 0.05 / 6


@pytest.mark.parametrize(("turns", "cv", "difference"), [(2, 0.05, 0.1), (4, 0.0, 0.1), (4, 0.05, -1.0)])
def test_chance_refuses_what_makes_no_sense(turns: int, cv: float, difference: float) -> None:
    """Fewer than three turns, no spread, or a difference of everything."""
    with pytest.raises(ValueError, match="turns"):
        chance(difference, turns, cv, ComparisonRules(family_size=1))


@pytest.mark.parametrize("n", [3, 4, 5, 6, 8, 10, 12, 20])
def test_small_sample_factors_make_the_robust_spread_unbiased(n: int) -> None:
    """c_n and b_n are the means of the scaled median deviations of normal samples, one and two pooled (simulated)."""
    rng = np.random.default_rng(n)
    deviations = [np.abs(x - np.median(x, axis=1, keepdims=True)) for x in rng.normal(size=(2, 40_000, n))]
    own = MAD_TO_SD * np.median(deviations[0], axis=1).mean()
    pair = MAD_TO_SD * np.median(np.concatenate(deviations, axis=1), axis=1).mean()
    assert c_n(n) == pytest.approx(own, abs=0.012)
    assert pair_factor(n) == pytest.approx(pair, abs=0.012)


def test_clip_needs_three_values() -> None:
    """No spread can be judged from two."""
    with pytest.raises(ValueError, match="at least 3"):
        clip_pair([1.0, 2.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize(("turns", "clipped"), [(4, False), (5, True), (9, True)])
def test_one_outlier_is_clipped_from_five_turns_on(turns: int, clipped: bool) -> None:
    """More than a fifth flagged: nothing in the case is moved; the flag stays."""
    case, other = clip_pair([6.0] * (turns - 1) + [5.0], [6.0] * turns)
    assert case.flagged == (turns - 1,)
    assert case.clipped is clipped
    assert case.logs[-1] == pytest.approx(6.0 - np.log(1.25) if clipped else 5.0)
    assert other.flagged == ()


def test_clip_is_two_sided_and_keeps_the_order() -> None:
    """One far above and one far below, of ten: both are pulled in, in place."""
    values = [6.0, 7.0, *[6.0] * 7, 5.0]
    case, _ = clip_pair(values, [6.0] * 10)
    assert case.flagged == (1, 9)
    assert case.logs[1] == pytest.approx(6.0 + np.log(1.25))
    assert case.logs[9] == pytest.approx(6.0 - np.log(1.25))
    assert case.logs[2:9] == (6.0,) * 7


def test_limit_takes_the_wider_of_pair_and_own_spread() -> None:
    """By hand, n = 5 (b 0.782, c 0.822): deviations of A 0 .02 .02 .04 .04 and of B 0 .1 .1 .2 .2, pooled median .04.

    pair = 1.4826 x 0.04 / 0.782 (both middle ones of the ten are .04), own of A = 1.4826 x 0.02 / 0.822, own of B =
    1.4826 x 0.1 / 0.822. A is held to the spread of the pair, B to its own.
    """
    a, b = clip_pair([6.0, 6.02, 5.98, 6.04, 5.96], [6.0, 6.1, 5.9, 6.2, 5.8])
    assert a.limit == pytest.approx(3.5 * 1.4826 * 0.04 / 0.782)
    assert b.limit == pytest.approx(3.5 * 1.4826 * 0.1 / 0.822)
