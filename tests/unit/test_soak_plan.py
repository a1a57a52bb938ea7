"""The plan of a soak: balanced turns, mirrored rounds, the same text for the same plan, and what is told beforehand."""

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import islice
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.errors import StoreDamaged, StoreNewer, UsageError
from sitetest.plan.cases import Case, Leg, PlannedComparison, Timing, Turn
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.plan.soak_estimate import soak_estimate
from sitetest.plan.soak_making import make_soak_plan
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_from_json, soak_plan_to_json
from sitetest.stats.rules import ComparisonRules
from sitetest_wire.words import Direction, EngineName

NOW = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
DOWNLOAD = (Leg.LAN, EngineName.IPERF3, Direction.DOWNLOAD)
UPLOAD = (Leg.LAN, EngineName.IPERF3, Direction.UPLOAD)
LETTERS = "ABCDE"


def site_of(ap_configs: int = 2) -> Site:
    return Site.model_validate(
        {
            "site": "quay-street-bookshop",
            "server": {"internet": "https://far.example"},
            "access_point": [{"name": "counter"}],
            "ap_config": [{"name": name, "access_point": "counter"} for name in LETTERS[:ap_configs]],
        }
    )


def profile_of(**tables: Any) -> Profile:
    return Profile.model_validate({"name": "overnight", "location": "reading-room", **tables})


def plan_of(ap_configs: int = 1, *, soak: dict[str, Any] | None = None, seed: int = 7, **wanted: Any) -> SoakPlan:
    site = site_of(ap_configs)
    wanted = wanted or {"until": NOW + timedelta(hours=9)}
    return make_soak_plan(site, profile_of(soak=soak or {}), seed=seed, ap_configs=site.ap_config_names, **wanted)


# --- order ----------------------------------------------------------------------------------------------------------


@given(st.integers(1, 5), st.integers(0, 2**63), st.integers(1, 30))
@settings(deadline=None, max_examples=100)
def test_every_quad_has_each_ap_config_twice_and_at_the_same_mean_place(ap_configs: int, seed: int, quads: int) -> None:
    turns = list(islice(plan_of(ap_configs, seed=seed).turns(), 2 * ap_configs * quads))
    assert [turn.number for turn in turns] == list(range(1, len(turns) + 1))
    if ap_configs == 1:
        assert {turn.ap_config for turn in turns} == {"A"}
        return
    for quad in range(1, quads + 1):
        order = [turn.ap_config for turn in turns if turn.quad == quad]
        assert Counter(order) == dict.fromkeys(LETTERS[:ap_configs], 2)
        assert order == order[::-1]


@pytest.mark.parametrize("ap_configs", [2, 3])
def test_the_order_is_that_of_a_run_with_the_same_seed(ap_configs: int) -> None:
    site = site_of(ap_configs)
    run = make_plan(site, profile_of(), seed=11, ap_configs=site.ap_config_names)
    soak = plan_of(ap_configs, seed=11)
    assert [(turn.quad, turn.ap_config) for turn in run.turns] == [
        (turn.quad, turn.ap_config) for turn in islice(soak.turns(), len(run.turns))
    ]


def test_both_orders_of_a_quad_come_about_and_the_seed_decides() -> None:
    first = ["".join(turn.ap_config for turn in islice(plan_of(2, seed=seed).turns(), 4)) for seed in range(40)]
    assert set(first) == {"ABBA", "BAAB"}
    assert first == ["".join(turn.ap_config for turn in islice(plan_of(2, seed=s).turns(), 4)) for s in range(40)]


def test_rounds_of_a_turn_alternate_with_their_mirror_and_count_through_the_soak() -> None:
    plan = plan_of(2)
    turn = Turn(3, 1, "B", ())
    odd, even = plan.slots(turn, 1, 31), plan.slots(turn, 2, 32)
    assert [(slot.case.direction, slot.repeat, slot.turn) for slot in odd] == [
        (Direction.DOWNLOAD, 31, 3),
        (Direction.UPLOAD, 31, 3),
    ]
    assert [slot.case.direction for slot in even] == [Direction.UPLOAD, Direction.DOWNLOAD]
    assert {slot.case for slot in odd} == {case for case in plan.cases if case.ap_config == "B"}


# --- making ---------------------------------------------------------------------------------------------------------


def test_tests_have_their_own_times_and_the_streams_of_all_others() -> None:
    profile = profile_of(
        timing={"streams": 3, "warm_up_s": 4, "duration_s": 40, "congestion_control": "cubic"},
        soak={"warm_up_s": 1, "duration_s": 6},
    )
    plan = make_soak_plan(site_of(1), profile, seed=1, rounds=5)
    assert plan.timing == Timing(3, 1.0, 6.0, "cubic")


def test_ap_configs_are_compared_once_over_the_whole_soak() -> None:
    plan = make_soak_plan(
        site_of(3),
        profile_of(comparison={"margin_pct": 7, "alpha": 0.01, "looks": 4}),
        seed=1,
        ap_configs=["B", "A", "C"],
        rounds=1,
    )
    # 2 directions x 2 comparisons with the first one
    rules = ComparisonRules(family_size=4, margin=0.07, alpha=0.01, looks=())
    assert plan.comparison == PlannedComparison("B", ("A", "C"), rules)
    assert plan_of(1).comparison is None


def test_a_round_that_takes_more_than_its_share_is_refused_with_the_ways_out() -> None:
    """Two tests of 12 s, each 2.7 s more for idle times, connections and the store: 29.4 s."""
    assert plan_of(1, soak={"every_s": 118}).every_s == 118
    with pytest.raises(UsageError) as caught:
        plan_of(1, soak={"every_s": 117})
    assert caught.value.message == (
        'profile "overnight": a round of 2 tests takes about 29 s: with soak.every_s = 117 tests would take 25.1 % of '
        "the time; allowed by soak.most_busy_pct: 25 %"
    )
    assert caught.value.next_step.startswith("Raise soak.every_s to 118 or more or soak.most_busy_pct to 26, ")
    assert plan_of(1, soak={"every_s": 117, "most_busy_pct": 26}).most_busy_share == 0.26
    with pytest.raises(UsageError, match="the next one is due before it is over"):
        plan_of(1, soak={"every_s": 20, "most_busy_pct": 100})


def test_an_end_is_wanted_and_only_one() -> None:
    for wanted in ({"until": NOW, "rounds": 3}, {"until": None, "rounds": None}):
        with pytest.raises(ValueError, match="exactly one of them"):
            plan_of(1, **wanted)


def test_the_end_is_kept_in_utc() -> None:
    there = datetime(2026, 3, 3, 7, 30, tzinfo=timezone(timedelta(hours=2)))
    assert str(plan_of(1, until=there).until) == "2026-03-03 05:30:00+00:00"


def test_the_internet_leg_has_its_cap() -> None:
    profile = profile_of(
        matrix={"legs": ["lan", "internet"], "engines": ["http"], "internet_directions": ["download"]},
        limits={"internet_data_gb": 3},
        soak={"every_s": 240},
    )
    plan = make_soak_plan(site_of(1), profile, seed=1, rounds=1)
    assert plan.internet_data_bytes == 3_000_000_000
    assert [(leg, direction) for leg, _, direction in plan.transfers] == [
        (Leg.LAN, Direction.DOWNLOAD),
        (Leg.INTERNET, Direction.DOWNLOAD),
        (Leg.LAN, Direction.UPLOAD),
    ]
    assert plan_of(1).internet_data_bytes is None


# --- estimate -------------------------------------------------------------------------------------------------------


def test_a_night_of_one_ap_config_is_foreseen_by_hand_arithmetic() -> None:
    found = soak_estimate(plan_of(1), now=NOW)
    assert (found.duration_s, found.rounds, found.tests, found.tests_of_a_case, found.turns) == (
        32400,
        270,
        540,
        270,
        1,
    )
    assert found.busy_s == pytest.approx(270 * 2 * (12 + 2 * 1 + 0.5 + 0.2))
    assert found.busy_share == pytest.approx(0.245)
    assert found.lan_bytes == 540 * 12 * 125_000_000
    assert (found.internet_bytes, found.cap_lasts_s) == (0, None)
    assert found.steps_judged


def test_a_round_that_would_not_end_in_time_is_not_begun() -> None:
    """29.4 s a round, as above."""
    for seconds, rounds in ((29, 0), (30, 1), (149, 1), (150, 2)):
        assert soak_estimate(plan_of(1, until=NOW + timedelta(seconds=seconds)), now=NOW).rounds == rounds


def test_the_same_night_by_rounds() -> None:
    by_rounds = soak_estimate(plan_of(1, rounds=270), now=NOW)
    assert by_rounds == soak_estimate(plan_of(1), now=NOW)


def test_a_night_of_two_ap_configs_loses_the_time_of_switching() -> None:
    """18 turns of 30 min, in which 15 rounds are due; one of them within the 35 s in which the AP config is applied."""
    found = soak_estimate(plan_of(2), now=NOW)
    assert (found.turns, found.fewest_turns, found.rounds, found.tests_of_a_case) == (18, 9, 252, 126)
    assert found.steps_judged
    assert found.turns_enough
    by_rounds = soak_estimate(plan_of(2, rounds=270), now=NOW)
    assert by_rounds == found, "rounds that pass are numbered as well"
    a_part = soak_estimate(plan_of(2, rounds=50), now=NOW)
    assert (a_part.turns, a_part.rounds, a_part.duration_s) == (4, 3 * 14 + 4, 50 * 120)


def test_turns_that_are_shorter_than_a_switch_are_foreseen_as_long_as_it_needs() -> None:
    """35 s of switching pass four rounds of 10 s, and a fifth is tested: 50 s a turn, whatever the profile says."""
    soak = {"every_s": 10, "warm_up_s": 0, "duration_s": 1, "turn_min": 0.2, "most_busy_pct": 100}
    found = soak_estimate(plan_of(2, soak=soak, until=NOW + timedelta(seconds=500)), now=NOW)
    assert (found.turns, found.fewest_turns, found.rounds) == (10, 5, 10)
    by_rounds = soak_estimate(plan_of(2, soak=soak, rounds=50), now=NOW)
    assert (by_rounds.turns, by_rounds.rounds, by_rounds.duration_s) == (10, 10, 500)


def test_a_cap_that_will_be_reached_is_told_with_its_time() -> None:
    found = soak_estimate(plan_of(1, soak={"data_gb": 405}), now=NOW)
    assert found.cap_lasts_s == pytest.approx(4.5 * 3600)


def test_a_rate_that_was_seen_goes_before_the_assumed_one() -> None:
    plan = plan_of(1)
    seen = {case: 100.0 for case in plan.cases if case.direction is Direction.UPLOAD}
    found = soak_estimate(plan, now=NOW, seen_mbps=seen, expected_mbps={Leg.LAN: 200.0})
    assert found.lan_bytes == 270 * 12 * (12_500_000 + 25_000_000)
    nonsense = dict.fromkeys(plan.cases, float("nan"))
    assert soak_estimate(plan, now=NOW, seen_mbps=nonsense).lan_bytes == soak_estimate(plan, now=NOW).lan_bytes


@pytest.mark.parametrize(
    ("wanted", "soak", "judged"),
    [
        # 4 h between first and last test need one round more than 4 h / 120 s (statistics.md, section 7)
        ({"rounds": 121}, {}, True),
        ({"rounds": 120}, {}, False),
        ({"rounds": 96}, {"every_s": 240}, True),
        ({"rounds": 95}, {"every_s": 240}, False),
        ({"until": NOW + timedelta(seconds=45)}, {}, False),
    ],
)
def test_it_is_said_beforehand_whether_steps_and_drift_can_be_judged(
    wanted: dict[str, Any], soak: dict[str, Any], judged: bool
) -> None:
    assert soak_estimate(plan_of(1, soak=soak, **wanted), now=NOW).steps_judged is judged


@pytest.mark.parametrize(("hours", "enough"), [(3.0, True), (2.5, False), (0.1, False)])
def test_it_is_said_beforehand_whether_there_are_turns_enough_to_compare(hours: float, enough: bool) -> None:
    """Three turns of each of two AP configs (stats/rules.py, MIN_TURNS), of 30 minutes each, in quads: 6 turns."""
    found = soak_estimate(plan_of(2, seed=7, until=NOW + timedelta(hours=hours)), now=NOW)
    assert found.turns_enough is enough


def test_a_soak_whose_end_has_passed_makes_nothing() -> None:
    for ap_configs in (1, 2):
        found = soak_estimate(plan_of(ap_configs, until=NOW - timedelta(hours=1)), now=NOW)
        assert (found.rounds, found.tests, found.busy_share, found.duration_s) == (0, 0, 0.0, 0.0)


# --- JSON -----------------------------------------------------------------------------------------------------------

PLAN = SoakPlan(
    site="quay-street-bookshop",
    profile="overnight",
    location="reading-room",
    timing=Timing(5, 2.0, 10.0),
    seed=7,
    ap_configs=("auto", "wide80"),
    transfers=(DOWNLOAD, UPLOAD),
    every_s=120.0,
    turn_s=1800.0,
    most_busy_share=0.25,
    until=datetime(2026, 3, 3, 6, 30, tzinfo=UTC),
    rounds=None,
    data_bytes=10**12,
    internet_data_bytes=None,
    comparison=PlannedComparison("auto", ("wide80",), ComparisonRules(family_size=2, looks=())),
)
TEXT = (
    '{"ap_configs":["auto","wide80"],"comparison":{"alpha":0.05,"correction":"holm","family_size":2,'
    '"give_up_early":false,"look_weights":[1.0],"looks":[],"margin":0.1,"others":["wide80"],"reference":"auto",'
    '"rules_version":1},"data_bytes":1000000000000,"every_s":120.0,"format":1,"internet_data_bytes":null,'
    '"kind":"soak","location":"reading-room","most_busy_share":0.25,"profile":"overnight","rounds":null,"seed":7,'
    '"site":"quay-street-bookshop","timing":{"congestion_control":null,"duration_s":10.0,"streams":5,"warm_up_s":2.0},'
    '"transfers":[{"direction":"download","engine":"iperf3","leg":"lan"},{"direction":"upload","engine":"iperf3",'
    '"leg":"lan"}],"turn_s":1800.0,"until":"2026-03-03T06:30:00+00:00"}'
)
"""Format 1 as it was first written. Stays as it is: stored soaks look like this."""

offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
seconds = st.floats(0, 1e6)
names = st.text(min_size=1, max_size=12)
ends = st.datetimes(timezones=offsets).map(lambda until: (until, None)) | st.integers(1, 10**6).map(
    lambda rounds: (None, rounds)
)


@st.composite
def soak_plans(draw: st.DrawFn) -> SoakPlan:
    until, rounds = draw(ends)
    transfers = st.tuples(st.sampled_from(Leg), st.sampled_from(EngineName), st.sampled_from(Direction))
    return SoakPlan(
        site=draw(names),
        profile=draw(names),
        location=draw(names),
        timing=Timing(draw(st.integers(1, 32)), draw(seconds), draw(seconds), draw(st.none() | names)),
        seed=draw(st.integers(-(2**80), 2**80)),
        ap_configs=tuple(draw(st.lists(names, max_size=4))),
        transfers=tuple(draw(st.lists(transfers, max_size=5))),
        every_s=draw(seconds),
        turn_s=draw(seconds),
        most_busy_share=draw(st.floats(0, 1)),
        until=until,
        rounds=rounds,
        data_bytes=draw(st.none() | st.integers(0, 2**60)),
        internet_data_bytes=draw(st.none() | st.integers(0, 2**60)),
        comparison=draw(st.none() | st.just(PLAN.comparison)),
    )


@given(soak_plans())
@settings(deadline=None, max_examples=150)
def test_what_is_written_is_read_back_the_same(plan: SoakPlan) -> None:
    text = soak_plan_to_json(plan)
    again = soak_plan_from_json(text)
    assert again == plan
    assert soak_plan_to_json(again) == text
    assert [type(case) for case in again.cases] == [Case] * len(again.cases)


def test_the_text_is_the_one_that_stored_soaks_hold() -> None:
    assert soak_plan_to_json(PLAN) == TEXT
    assert soak_plan_from_json(TEXT) == PLAN


def test_a_plan_of_a_later_format_is_told_apart_from_a_damaged_one() -> None:
    with pytest.raises(StoreNewer, match="the stored plan of a soak has format 2, this sitetest reads up to 1"):
        soak_plan_from_json(json.dumps({**json.loads(TEXT), "format": 2}))


def without(key: str) -> str:
    return json.dumps({name: value for name, value in json.loads(TEXT).items() if name != key})


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "null", "[]", "7", "[" * 100_000),
        *(without(key) for key in sorted(json.loads(TEXT))),
        *(TEXT.replace('"lan"', '"wan"'), TEXT.replace('"streams"', '"strands"'), TEXT.replace('"soak"', '"run"')),
        *(TEXT.replace('"rounds":null', '"rounds":4'), TEXT.replace("2026-03-03T", "yesterday")),
        soak_plan_to_json(replace(PLAN, until=None, rounds=4)).replace('"rounds":4', '"rounds":null'),
    ],
    ids=lambda text: str(text)[:20],
)
def test_text_that_is_no_plan_of_a_soak_is_damage(text: str) -> None:
    with pytest.raises(StoreDamaged, match="the stored plan of a soak cannot be read: "):
        soak_plan_from_json(text)
