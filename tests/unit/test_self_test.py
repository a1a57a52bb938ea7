"""One AP config against itself: its plan, what it says of a spread that is known, and that it enters no comparison."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from site_folder import PROFILE_TOML, site_folder
from store_records import a_turn, a_visit, an_attempt, fixed_now, keep

from sitetest.cli.self_test_visit import Asked, plan_self_test
from sitetest.comparing.campaign import compare
from sitetest.comparing.data_file import read_data_file
from sitetest.comparing.pairing import Question
from sitetest.comparing.self_test import SelfTest, self_test
from sitetest.comparing.site_data import read_site
from sitetest.errors import UsageError
from sitetest.plan.self_test import nominal_sides
from sitetest.report.self_test_text import self_test_screen
from sitetest.stats.power import chance, smallest_found
from sitetest.stats.rules import ComparisonRules, spread_looks
from sitetest.stats.spread import Spread, pooled_spread
from sitetest.store.database import Store
from sitetest.store.export import export
from sitetest.store.reading import store_path

ASKED = Asked(Path(), "basement", None, None, None, None, turns=4, seed=3, yes=True)
SEED = 3


def measured(folder: Path, rates_mbps: Sequence[float], association: str = "fresh") -> Path:
    """Keep a self-test with one download a turn."""
    with Store.open(store_path(folder), create=True, now=fixed_now()) as store:
        store.begin_visit(replace(a_visit(), profile="selftest/basement"))
        for turn, rate in enumerate(rates_mbps, start=1):
            store.begin_turn(a_turn(turn=turn, quad=(turn + 3) // 4, ap_config="auto", association=association))
            keep(store, an_attempt(turn, turn=turn, ap_config="auto", throughput_mbps=rate, seconds=()))
    return folder


def said(folder: Path) -> SelfTest:
    return self_test(read_site(store_path(folder)), seed=SEED, family=1)


def steady(sides: str, a: float, b: float, spread: float = 0.05) -> list[float]:
    random = np.random.default_rng(8)
    return [(a if side == "A" else b) * float(np.exp(random.normal(0, spread))) for side in sides]


def test_the_plan_has_one_ap_config_in_as_many_turns_as_both_sides_need(tmp_path: Path) -> None:
    site = site_folder(tmp_path, basement=PROFILE_TOML)
    plan = plan_self_test(replace(ASKED, site_dir=site)).plan
    assert (plan.profile, plan.location) == ("selftest/basement", "basement")
    assert [turn.ap_config for turn in plan.turns] == ["auto"] * 8
    other = plan_self_test(replace(ASKED, site_dir=site, ap_config="wide80", turns=6)).plan
    assert [turn.ap_config for turn in other.turns] == ["wide80"] * 12


def test_without_a_profile_the_address_of_the_server_is_enough(tmp_path: Path) -> None:
    planned = plan_self_test(replace(ASKED, site_dir=tmp_path, profile=None, server="192.0.2.7"))
    assert {slot.case.engine for slot in planned.plan.slots} == {"http"}
    assert planned.plan.profile.startswith("selftest/")
    with pytest.raises(UsageError, match="--profile NAME, or --server"):
        plan_self_test(replace(ASKED, site_dir=tmp_path, profile=None))
    with pytest.raises(UsageError, match="--turns: found 5"):
        plan_self_test(replace(ASKED, site_dir=tmp_path, turns=5))


@pytest.mark.parametrize("seed", range(8))
def test_the_sides_are_quads_and_balanced(seed: int) -> None:
    sides = nominal_sides(12, seed)
    assert {sides[start : start + 4] for start in (0, 4, 8)} <= {"ABBA", "BAAB"}
    assert sides[:9] == nominal_sides(9, seed)


def test_a_quiet_place_shows_its_spread_and_no_difference(tmp_path: Path) -> None:
    rates = steady("A" * 16, 400, 400)
    result = said(measured(tmp_path, rates))
    (case,) = result.cases
    sides = nominal_sides(16, SEED)
    assert result.order == sides
    assert not case.false_difference
    assert case.spread is not None
    logs = {side: [np.log(r) for r, of in zip(rates, sides, strict=True) if of == side] for side in "AB"}
    pooled = np.sqrt(np.mean([np.var(values, ddof=1) for values in logs.values()]))  # equal n: the mean of variances
    assert case.spread.cv == pytest.approx(np.sqrt(np.expm1(pooled**2)))
    assert [one.turns for one in case.found] == [4, 8, 12]
    differences = [one.difference for one in case.found]
    assert None not in differences
    assert differences == sorted(differences, key=lambda found: -(found or 0))


def test_a_difference_that_cannot_be_there_is_called_false(tmp_path: Path) -> None:
    result = said(measured(tmp_path, steady(nominal_sides(16, SEED), 400, 520)))
    assert result.cases[0].false_difference
    shown = text_of(result)
    assert "Not quiet" in shown
    assert "lan http download" in shown


def test_turns_without_a_fresh_association_are_counted_and_said(tmp_path: Path) -> None:
    result = said(measured(tmp_path, steady("A" * 8, 400, 400), association="not_possible"))
    assert [(case.verdict.a.valid, case.verdict.b.valid) for case in result.cases] == [(4, 4)]
    assert any("No fresh association" in note for note in result.notes)


def text_of(result: SelfTest) -> str:
    from rich.console import Console

    console = Console(width=100, force_terminal=False)
    with console.capture() as captured:
        console.print(self_test_screen(result))
    return captured.get()


def test_the_screen_fits_a_terminal_and_names_what_can_be_found(tmp_path: Path) -> None:
    shown = text_of(said(measured(tmp_path, steady("A" * 8, 400, 400))))
    assert max(map(len, shown.splitlines())) <= 100
    for word in ("against itself", "spread", "B over A", "4 turns", "12 turns", "No false difference"):
        assert word in shown


def test_a_single_turn_says_too_little(tmp_path: Path) -> None:
    result = said(measured(tmp_path, [400.0]))
    assert result.cases == ()
    assert "Too little" in text_of(result)


@pytest.mark.parametrize("source", ["store", "csv", "parquet"])
def test_a_self_test_never_enters_a_comparison(tmp_path: Path, source: str) -> None:
    """Eight turns of auto from a self-test beside four quads of a real visit: without them the same answer."""
    with Store.open(store_path(tmp_path), create=True, now=fixed_now()) as store:
        store.begin_visit(a_visit())
        for turn, letter in enumerate("ABBABAABABBABAAB", start=1):
            name = "auto" if letter == "A" else "wide80"
            store.begin_turn(a_turn(turn=turn, quad=(turn + 3) // 4, ap_config=name))
            rate = (400 if letter == "A" else 480) * (1 + 0.01 * (turn % 3 - 1))
            keep(store, an_attempt(turn, turn=turn, ap_config=name, throughput_mbps=rate, seconds=()))
    question = Question("ap_config", ("auto", "wide80"))
    before = compare(read_site(store_path(tmp_path)), question).pairs
    with Store.open(store_path(tmp_path), create=False, now=fixed_now()) as store:
        store.begin_visit(replace(a_visit(), visit_id="other", profile="selftest/basement"))
        for turn in range(1, 9):
            store.begin_turn(replace(a_turn(turn=turn, ap_config="auto"), visit_id="other"))
            own = an_attempt(100 + turn, turn=turn, ap_config="auto", throughput_mbps=900.0 + turn, seconds=())
            keep(store, replace(own, visit_id="other"))
    if source == "store":
        table = read_site(store_path(tmp_path))
    else:
        export(tmp_path, tmp_path / "out", [source], ["attempts"])
        table = read_data_file(tmp_path / "out" / f"attempts.{source}")
    result = compare(table, question)
    assert [pair.verdict for pair in result.pairs] == [pair.verdict for pair in before]
    assert any("Left out: 8 attempts of self-tests" in note for note in result.notes)


def spread_of(a: "NDArray[np.float64]", b: "NDArray[np.float64]") -> Spread:
    spread = pooled_spread((a.tolist(), b.tolist()))
    assert spread is not None
    return spread


def test_the_interval_of_a_spread_is_that_of_the_chi_squared_distribution() -> None:
    """Against scipy.stats.chi2, and by counting: it covers the true spread in 95 of 100 samples (2,000 of them)."""
    random = np.random.default_rng(5)
    covered = 0
    for _ in range(2000):
        a, b = random.normal(6, 0.08, (2, 4))
        spread = spread_of(a, b)
        covered += spread.low <= np.sqrt(np.expm1(0.08**2)) <= spread.high
    assert 0.935 <= covered / 2000 <= 0.965
    spread, squares = spread_of(a, b), 3 * (a.var(ddof=1) + b.var(ddof=1))
    assert spread.freedom == 6
    for bound, tail in ((spread.low, 0.975), (spread.high, 0.025)):
        assert np.log1p(bound**2) == pytest.approx(squares / stats.chi2.ppf(tail, 6))
    assert pooled_spread(([1.0], [])) is None


@pytest.mark.parametrize(("turns", "cv"), [(4, 0.03), (8, 0.05), (12, 0.15)])
def test_the_smallest_difference_found_is_found_four_times_in_five(turns: int, cv: float) -> None:
    rules = ComparisonRules(family_size=2, looks=spread_looks(4, turns, 4))
    found = smallest_found(turns, cv, rules)
    assert found is not None
    assert chance(found, turns, cv, rules).faster >= 0.8
    assert chance(found - 0.002, turns, cv, rules).faster < 0.8
    assert smallest_found(4, 2.0, rules) is None
