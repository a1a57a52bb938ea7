"""The order of a visit: who is measured when, so that drift favours nobody."""

from collections import Counter
from collections.abc import Mapping
from itertools import groupby
from pathlib import Path
from statistics import mean
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from site_folder import SITE_TOML, site_folder

from sitetest.errors import UsageError
from sitetest.plan.cases import Case, Leg, Plan, PlannedComparison
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import ap_configs_to_ask, make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.stats.rules import ComparisonRules, Correction
from sitetest_wire.words import Direction, EngineName

DOWNLOAD, UPLOAD = Direction.DOWNLOAD, Direction.UPLOAD
LETTERS = "ABCDEFG"


def site_of(ap_configs: int, server: dict[str, str] | None = None) -> Site:
    return Site.model_validate(
        {
            "site": "quay-street-bookshop",
            "server": server or {},
            "access_point": [{"name": "counter"}],
            "ap_config": [{"name": name, "access_point": "counter"} for name in LETTERS[:ap_configs]],
        }
    )


def profile_of(matrix: dict[str, list[str]] | None = None, **tables: Mapping[str, Any]) -> Profile:
    return Profile.model_validate({"name": "basement", "location": "basement", "matrix": matrix or {}, **tables})


def letters(plan: Plan) -> str:
    return "".join(turn.ap_config for turn in plan.turns)


FAR = {"internet": "https://far.example"}
BOTH_LEGS = {"legs": ["lan", "internet"], "engines": ["iperf3", "http"]}


@st.composite
def plans(draw: st.DrawFn) -> tuple[Plan, Profile]:
    """Any plan that site and profile can describe."""
    legs = draw(st.permutations(["lan", "internet"]))
    engines = draw(st.permutations(["iperf3", "http"]))
    directions = draw(st.permutations(["download", "upload"]))
    matrix = {
        "legs": draw(st.sampled_from([legs, ["lan"]])),
        "engines": draw(st.sampled_from([engines, ["http"]])),
        "directions": directions[: draw(st.integers(1, 2))],
    }
    if draw(st.booleans()):
        matrix["internet_directions"] = matrix["directions"][:1]
    minimum = draw(st.integers(1, 9))
    repeats = {"minimum": minimum, "maximum": minimum + draw(st.integers(0, 5)), "per_turn": draw(st.integers(1, 3))}
    profile = Profile.model_validate({"name": "p", "location": "basement", "matrix": matrix, "repeats": repeats})
    site = site_of(draw(st.integers(1, 5)), FAR)
    return make_plan(site, profile, seed=draw(st.integers(0, 2**63)), ap_configs=site.ap_config_names), profile


def test_two_ap_configs_run_as_abba_or_baab_chosen_by_the_seed() -> None:
    plan_of = {seed: make_plan(site_of(2), profile_of(), seed=seed, ap_configs=["A", "B"]) for seed in range(400)}
    quads = Counter(letters(plan)[:4] for plan in plan_of.values())
    assert set(quads) == {"ABBA", "BAAB"}
    # Binomial with n = 400, p = 1/2: 140 and 260 are 6 standard deviations out.
    assert 140 < quads["ABBA"] < 260
    assert {letters(plan)[4:8] for plan in plan_of.values()} == {"ABBA", "BAAB"}


def test_the_same_seed_gives_the_same_order_and_another_seed_another() -> None:
    site, profile = site_of(4), profile_of()
    asked = site.ap_config_names
    assert make_plan(site, profile, seed=7, ap_configs=asked) == make_plan(site, profile, seed=7, ap_configs=asked)
    assert len({letters(make_plan(site, profile, seed=seed, ap_configs=asked)) for seed in range(20)}) > 10


def test_more_turns_go_on_from_the_same_beginning() -> None:
    """A later look adds quads; those that ran already must not be others then."""
    site = site_of(3)
    short, long = (
        make_plan(site, profile_of(repeats={"minimum": 4, "maximum": n}), seed=3, ap_configs=site.ap_config_names)
        for n in (6, 20)
    )
    assert long.turns[: len(short.turns)] == short.turns


def test_one_ap_config_runs_turn_after_turn() -> None:
    plan = make_plan(site_of(1), profile_of(repeats={"minimum": 3, "maximum": 5}), seed=1)
    assert letters(plan) == "AAA"
    assert (plan.minimum_turns, plan.maximum_turns) == (3, 5)
    assert [turn.quad for turn in plan.turns] == [1, 2, 3]


@pytest.mark.parametrize(
    ("minimum", "maximum", "turns"), [(1, 1, (2, 2)), (4, 10, (4, 10)), (5, 5, (6, 6)), (4, 5, (4, 4)), (3, 7, (4, 6))]
)
def test_turns_come_in_whole_quads(minimum: int, maximum: int, turns: tuple[int, int]) -> None:
    repeats = {"minimum": minimum, "maximum": maximum}
    plan = make_plan(site_of(2), profile_of(repeats=repeats), seed=1, ap_configs=["A", "B"])
    assert (plan.minimum_turns, plan.maximum_turns) == turns
    reserve = 2 if turns[1] >= 4 else 0
    assert Counter(letters(plan)) == {"A": turns[1] + reserve, "B": turns[1] + reserve}
    assert Counter(letters(plan.first(plan.maximum_turns))) == {"A": turns[1], "B": turns[1]}
    assert sum(plan.in_reserve(turn) for turn in plan.turns) == 2 * reserve


@given(plans())
@settings(deadline=None, max_examples=150)
def test_every_quad_is_balanced_against_drift(drawn: tuple[Plan, Profile]) -> None:
    """Each AP config has two turns in each quad, and their mean place is the same for all: linear drift cancels."""
    plan, _ = drawn
    if len({turn.ap_config for turn in plan.turns}) == 1:
        return
    for _, quad in groupby(plan.turns, key=lambda turn: turn.quad):
        turns = list(quad)
        places = {name: [turn.number for turn in turns if turn.ap_config == name] for name in letters(plan)}
        assert {len(numbers) for numbers in places.values()} == {2}
        assert len({mean(numbers) for numbers in places.values()}) == 1


@given(plans())
@settings(deadline=None, max_examples=150)
def test_every_case_is_wanted_the_same_number_of_times(drawn: tuple[Plan, Profile]) -> None:
    plan, profile = drawn
    matrix = profile.matrix
    wanted = {
        (leg, engine, direction)
        for leg in matrix.legs
        for engine in matrix.engines
        for direction in matrix.directions
        if leg is Leg.LAN or (engine == "http" and direction in (matrix.internet_directions or matrix.directions))
    }
    configs = {turn.ap_config for turn in plan.turns}
    repeats = Counter(slot.case for slot in plan.slots)
    assert set(repeats) == {Case("basement", leg, engine, name, way) for leg, engine, way in wanted for name in configs}
    turns_each = plan.minimum_turns
    if plan.comparison is not None:
        turns_each = plan.maximum_turns + (2 if plan.comparison.rules.looks else 0)
    assert set(repeats.values()) == {turns_each * profile.repeats.per_turn}
    for case, count in repeats.items():
        assert [slot.repeat for slot in plan.slots if slot.case == case] == list(range(1, count + 1))
    for turn in plan.turns:
        assert {slot.turn for slot in turn.slots} == {turn.number}
        assert {slot.case.ap_config for slot in turn.slots} == {turn.ap_config}
        assert set(Counter(slot.case for slot in turn.slots).values()) == {profile.repeats.per_turn}
    assert len({slot.key for slot in plan.slots}) == len(plan.slots)
    assert [turn.number for turn in plan.turns] == list(range(1, len(plan.turns) + 1))


@given(plans())
@settings(deadline=None, max_examples=150)
def test_the_two_legs_of_a_direction_run_back_to_back(drawn: tuple[Plan, Profile]) -> None:
    plan, _ = drawn
    for turn in plan.turns:
        cases = [slot.case for slot in turn.slots]
        for place, case in enumerate(cases):
            partner = Case(case.location, Leg.LAN, EngineName.HTTP, case.ap_config, case.direction)
            if case.leg is Leg.INTERNET and partner in cases:
                assert partner in cases[max(0, place - 1) : place + 2]


@given(plans())
@settings(deadline=None, max_examples=150)
def test_every_case_has_the_same_mean_place_in_the_two_turns_of_a_quad(drawn: tuple[Plan, Profile]) -> None:
    """What runs first in one turn of an AP config runs last in the other: directions, engines and legs alternate."""
    plan, _ = drawn
    by_config: dict[tuple[int, str], list[list[Case]]] = {}
    for turn in plan.turns:
        by_config.setdefault((turn.quad, turn.ap_config), []).append([slot.case for slot in turn.slots])
    for pair in by_config.values():
        if len(pair) == 2:
            places: dict[Case, list[int]] = {}
            for turn_cases in pair:
                for place, case in enumerate(turn_cases):
                    places.setdefault(case, []).append(place)
            assert len({mean(numbers) for numbers in places.values()}) == 1


def test_direction_and_leg_that_go_first_alternate_from_turn_to_turn() -> None:
    plan = make_plan(site_of(1, FAR), profile_of({"legs": ["lan", "internet"], "engines": ["http"]}), seed=1)
    order = [[(str(slot.case.direction), str(slot.case.leg)) for slot in turn.slots] for turn in plan.turns]
    odd = [("download", "lan"), ("download", "internet"), ("upload", "lan"), ("upload", "internet")]
    assert order == [odd, odd[::-1], odd, odd[::-1]]


def test_the_plan_carries_what_a_resumed_visit_needs() -> None:
    profile = profile_of(
        BOTH_LEGS, timing={"streams": 2, "warm_up_s": 1, "duration_s": 9.5}, limits={"internet_data_gb": 0.25}
    )
    plan = make_plan(site_of(1, FAR), profile, seed=11)
    assert (plan.site, plan.profile, plan.location, plan.seed) == ("quay-street-bookshop", "basement", "basement", 11)
    assert (plan.timing.streams, plan.timing.warm_up_s, plan.timing.duration_s) == (2, 1.0, 9.5)
    assert plan.internet_data_bytes == 250_000_000
    assert make_plan(site_of(1, FAR), profile_of(), seed=11).internet_data_bytes is None


def test_the_command_line_wins_over_the_profile() -> None:
    site, profile = site_of(3, FAR), profile_of({**BOTH_LEGS, "ap_configs": ["A", "B"]})
    plan = make_plan(site, profile, seed=1, ap_configs=["C", "C"], engine="http")
    assert letters(plan) == "CCCC"
    assert {slot.case.engine for slot in plan.slots} == {EngineName.HTTP}
    assert set(letters(make_plan(site, profile, seed=1, ap_configs=[]))) == {"A", "B"}


def test_the_only_ap_config_of_a_site_needs_no_naming() -> None:
    assert ap_configs_to_ask(site_of(1), profile_of()) == ()
    assert set(letters(make_plan(site_of(1), profile_of(), seed=1))) == {"A"}


def test_a_choice_that_nobody_has_made_is_asked_for() -> None:
    site, profile = site_of(3), profile_of()
    assert ap_configs_to_ask(site, profile) == ("A", "B", "C")
    assert ap_configs_to_ask(site, profile_of({"ap_configs": ["A"]})) == ()
    with pytest.raises(UsageError) as caught:
        make_plan(site, profile, seed=1)
    said = 'profile "basement" does not say which AP configs to measure; allowed: "A", "B", "C"'
    assert caught.value.message == said
    assert caught.value.next_step == (
        "Name one or more with --ap-config, or list them in the profile: matrix.ap_configs."
    )


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"ap_configs": ["wide8"]},
         'site.toml has no AP config "wide8"; allowed: "auto", "wide80"; did you mean "wide80"?'),
        ({"engine": "iperf"}, 'there is no engine "iperf"; allowed: "iperf3", "http"; did you mean "iperf3"?'),
        ({"engine": "smoke"}, 'there is no engine "smoke"; allowed: "iperf3", "http"'),
        (
            {"engine": "iperf3"},
            '--engine iperf3: matrix.engines: found "iperf3"; allowed: "http" among them, the only engine that the leg '
            '"internet" can use',
        ),
    ],
)  # fmt: skip
def test_an_option_that_cannot_be_is_told(tmp_path: Path, asked: dict[str, Any], said: str) -> None:
    text = 'format = 1\nlocation = "x"\n[matrix]\nlegs = ["lan", "internet"]\nengines = ["iperf3", "http"]\n'
    text += 'ap_configs = ["auto"]\n'
    site_folder(tmp_path, SITE_TOML.replace("[server]", '[server]\ninternet = "https://far.example"'), basement=text)
    with pytest.raises(UsageError) as caught:
        make_plan(load_site(tmp_path), load_profile(tmp_path, "basement"), seed=1, **asked)
    assert caught.value.message == said


def test_a_profile_of_another_site_is_refused() -> None:
    """Whoever hands over a profile that was checked against other AP configs, or another server, gets no plan."""
    with pytest.raises(UsageError, match='has no AP config "Z"'):
        make_plan(site_of(2), profile_of({"ap_configs": ["Z"]}), seed=1)
    with pytest.raises(UsageError, match=r'basement: matrix\.legs: found "internet"'):
        make_plan(site_of(1), profile_of(BOTH_LEGS), seed=1)


def test_a_plan_that_no_visit_could_hold_is_refused() -> None:
    profile = profile_of(repeats={"minimum": 100, "maximum": 100, "per_turn": 20})
    with pytest.raises(UsageError) as caught:
        make_plan(site_of(7), profile, seed=1, ap_configs=LETTERS)
    said = 'profile "basement" asks for 28,560 measurements in one visit; allowed: 20,000'
    assert caught.value.message == said
    assert "Lower repeats.maximum" in caught.value.next_step


def compared(minimum: int, maximum: int, configs: int = 2, **comparison: Any) -> PlannedComparison:
    profile = profile_of(repeats={"minimum": minimum, "maximum": maximum}, comparison=comparison)
    planned = make_plan(site_of(configs), profile, seed=1, ap_configs=LETTERS[:configs]).comparison
    assert planned is not None
    return planned


def test_one_ap_config_is_compared_with_nothing() -> None:
    """With or without a [comparison] in the profile: turn after turn, the minimum of them."""
    plan = make_plan(site_of(1), profile_of(comparison={"margin_pct": 5.0}), seed=1)
    assert plan.comparison is None
    assert len(plan.turns) == plan.minimum_turns == 4


@pytest.mark.parametrize(
    ("minimum", "maximum", "looks", "expected"),
    [
        (4, 10, 4, (4, 6, 8, 10)),  # the method's own
        (4, 6, 4, (4, 6)),
        (4, 40, 4, (4, 16, 28, 40)),
        (4, 10, 2, (4, 10)),
        (4, 10, 1, (10,)),
        (100, 100, 4, (100,)),
        (2, 6, 4, (4, 6)),  # three turns are the least that anything is said of
        (1, 3, 4, ()),
        (7, 9, 4, (8,)),
    ],
)
def test_looks_go_from_the_minimum_to_the_maximum_in_whole_quads(
    minimum: int, maximum: int, looks: int, expected: tuple[int, ...]
) -> None:
    rules = compared(minimum, maximum, looks=looks).rules
    assert rules.looks == expected
    assert sum(rules.weights) == pytest.approx(1)


def test_the_comparison_is_that_of_the_profile_against_the_first_ap_config() -> None:
    """Three AP configs and two directions: four comparisons, unless the campaign plans more elsewhere."""
    planned = compared(4, 10, 3)
    assert (planned.reference, planned.others) == ("A", ("B", "C"))
    assert planned.rules == ComparisonRules(family_size=4)
    strict = compared(4, 10, 3, margin_pct=5.0, alpha=0.01, correction="bonferroni", family=12, give_up_early=True)
    assert strict.rules == ComparisonRules(
        12, margin=0.05, alpha=0.01, correction=Correction.BONFERRONI, give_up_early=True
    )


def test_a_family_smaller_than_the_plan_is_refused() -> None:
    with pytest.raises(UsageError) as caught:
        compared(4, 10, 3, family=3)
    assert caught.value.message == (
        'profile "basement": comparison.family: found 3; allowed: 4 or more, since this profile alone makes 4 '
        "comparisons"
    )


def test_giving_up_early_can_be_asked_for_beside_the_profile() -> None:
    plan = make_plan(site_of(2), profile_of(), seed=1, ap_configs=["A", "B"], give_up_early=True)
    assert plan.comparison is not None
    assert plan.comparison.rules.give_up_early
