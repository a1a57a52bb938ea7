"""A plan kept as JSON is the same plan when it is read back, today and after an update."""

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.errors import StoreDamaged, StoreNewer
from sitetest.plan.cases import Case, Leg, Plan, PlannedComparison, Slot, Timing, Turn
from sitetest.plan.plan_json import plan_from_json, plan_to_json
from sitetest.stats.rules import ComparisonRules, Correction
from sitetest_wire.words import Direction, EngineName

CASE = Case("basement", Leg.LAN, EngineName.HTTP, "auto", Direction.UPLOAD)
PLAN = Plan(
    site="quay-street-bookshop",
    profile="basement",
    location="basement",
    timing=Timing(5, 3.0, 30.0),
    seed=7,
    turns=(Turn(1, 1, "auto", (Slot(1, 1, CASE), Slot(1, 2, CASE))),),
    minimum_turns=1,
    maximum_turns=10,
)
FORMAT_1 = (
    '{"cases":[{"ap_config":"auto","direction":"upload","engine":"http","leg":"lan","location":"basement"}],"format":1,'
    '"internet_data_bytes":null,"location":"basement","maximum_turns":10,"minimum_turns":1,"profile":"basement",'
    '"seed":7,"site":"quay-street-bookshop","timing":{"congestion_control":null,"duration_s":30.0,"streams":5,'
    '"warm_up_s":3.0},"turns":[{"ap_config":"auto","number":1,"quad":1,"slots":[{"case":0,"repeat":1},'
    '{"case":0,"repeat":2}]}]}'
)
"""Format 1 as it was first written. Stays as it is: stored visits look like this."""

COMPARED = replace(
    PLAN, comparison=PlannedComparison("auto", ("wide80",), ComparisonRules(family_size=6, looks=(4, 10)))
)
TEXT = FORMAT_1.replace('"format":1', '"format":2').replace(
    '"format"',
    '"comparison":{"alpha":0.05,"correction":"holm","family_size":6,"give_up_early":false,"look_weights":[0.3,0.7],'
    '"looks":[4,10],"margin":0.1,"others":["wide80"],"reference":"auto","rules_version":1},"format"',
)
"""Format 2 as it was first written. Stays as it is."""


comparisons = st.builds(
    PlannedComparison,
    st.text(max_size=5),
    st.lists(st.text(max_size=5), max_size=3).map(tuple),
    st.builds(
        ComparisonRules,
        st.integers(1, 99),
        st.floats(0.01, 0.99),
        st.floats(0.001, 0.5),
        st.sets(st.integers(3, 99), max_size=6).map(sorted).map(tuple),
        st.sampled_from(Correction),
        st.booleans(),
    ),
)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Plans of any form, also such as make_plan would not make."""
    names = st.text(min_size=1, max_size=12)
    numbers = st.integers(1, 99)
    cases = st.builds(Case, names, st.sampled_from(Leg), st.sampled_from(EngineName), names, st.sampled_from(Direction))
    seconds = st.floats(0, 3600)
    turns = []
    for number in range(draw(st.integers(0, 4))):
        slots = draw(st.lists(st.builds(Slot, st.just(number), numbers, cases), max_size=5))
        turns.append(Turn(number, draw(numbers), draw(names), tuple(slots)))
    return Plan(
        site=draw(names),
        profile=draw(names),
        location=draw(names),
        timing=Timing(draw(numbers), draw(seconds), draw(seconds), draw(st.none() | names)),
        seed=draw(st.integers(-(2**80), 2**80)),
        turns=tuple(turns),
        minimum_turns=draw(numbers),
        maximum_turns=draw(numbers),
        internet_data_bytes=draw(st.none() | st.integers(0, 2**60)),
        comparison=draw(st.none() | comparisons),
    )


@given(plans())
@settings(deadline=None, max_examples=150)
def test_what_is_written_is_read_back_the_same(plan: Plan) -> None:
    text = plan_to_json(plan)
    again = plan_from_json(text)
    assert again == plan
    assert plan_to_json(again) == text
    assert [type(case.leg) for case in again.cases] == [Leg] * len(again.cases)


def test_the_text_is_the_one_that_stored_visits_hold() -> None:
    assert plan_to_json(COMPARED) == TEXT
    assert plan_from_json(TEXT) == COMPARED


def test_a_plan_of_format_1_is_read_as_one_that_compares_nothing() -> None:
    """A visit that began with it goes on as it began."""
    assert plan_from_json(FORMAT_1) == PLAN


def test_rules_of_a_later_version_are_told_apart_from_damage() -> None:
    with pytest.raises(StoreNewer, match="compares by rules of version 2, this sitetest knows them up to 1"):
        plan_from_json(TEXT.replace('"rules_version":1', '"rules_version":2'))


def test_a_plan_of_a_later_format_is_told_apart_from_a_damaged_one() -> None:
    with pytest.raises(StoreNewer, match="the stored plan has format 3, this sitetest reads up to 2"):
        plan_from_json(json.dumps({**json.loads(TEXT), "format": 3}))


def without(key: str) -> dict[str, Any]:
    return {name: value for name, value in json.loads(TEXT).items() if name != key}


@pytest.mark.parametrize(
    "text",
    ["", "{", "null", "[]", "7", json.dumps({"format": "x"}), "[" * 100_000]
    + [json.dumps(without(key)) for key in sorted(json.loads(TEXT))]
    + [TEXT.replace('"case":0', '"case":1'), TEXT.replace('"lan"', '"wan"'), TEXT.replace('"streams"', '"strands"')]
    + [TEXT.replace("[0.3,0.7]", "[0.5,0.5]"), TEXT.replace('"holm"', '"hope"'), TEXT.replace("[4,10]", "[10,4]")],
    ids=lambda text: str(text)[:20],
)
def test_text_that_is_no_plan_is_damage(text: str) -> None:
    with pytest.raises(StoreDamaged, match="the stored plan cannot be read: "):
        plan_from_json(text)
