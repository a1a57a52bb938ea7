"""The visit that stops, and ``compare`` that judges what it left, say the same: one truth from the same attempts."""

import asyncio
import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from compared_visit import CONFIGS, compared_plan, rates
from visit_fakes import Call, FakeOperator, FakePath, Visit, broken

from sitetest.comparing.campaign import CampaignResult, compare
from sitetest.comparing.document import comparison_document
from sitetest.comparing.pairing import Question
from sitetest.comparing.site_data import table_of
from sitetest.engines.base import FailureKind, TransferResult
from sitetest.errors import UsageError
from sitetest.plan.cases import Plan
from sitetest.plan.plan_json import plan_to_json
from sitetest.stats.answers import Reason, Verdict
from sitetest.stats.rules import Correction
from sitetest.store.records import AttemptRecord, Flag, Status
from sitetest.store.tidy import Facts
from sitetest.visit.stopping import Evidence, Standing, standings

MIRROR = {Verdict.A_FASTER: Verdict.B_FASTER, Verdict.B_FASTER: Verdict.A_FASTER}


def measured(
    plan: Plan,
    seed: int,
    *,
    invalid: float = 0.05,
    failed: float = 0.03,
    associate: str = "fresh",
    spread: float = 0.05,
) -> Visit:
    """Conduct a visit with true differences of 0, 25 and 8 %, whatever else goes wrong."""
    chance = random.Random(seed)
    levels = dict(zip(CONFIGS, (400.0, 500.0, 432.0), strict=True))
    deliver = rates(lambda record: levels[record.ap_config] * chance.lognormvariate(0, spread))

    def script(call: Call) -> TransferResult:
        if chance.random() < failed:
            return broken(call.spec, FailureKind.STALLED, until_s=1.0)
        result = deliver(call)
        assert result is not None
        return replace(result, shared=chance.random() < invalid)

    visit = Visit(plan, script, path=FakePath(association=associate), operator=FakeOperator(present=False))
    assert asyncio.run(visit.run()).outcome == "complete"
    return visit


def facts_of(visit: Visit, visit_id: str = "visit-1", records: Sequence[AttemptRecord] | None = None) -> list[Facts]:
    """What the store would give back."""
    record = replace(visit.record, visit_id=visit_id, plan=plan_to_json(visit.plan))
    turns = {turn.turn: replace(turn, visit_id=visit_id) for turn in visit.keeper.turns}
    return [
        Facts(record, turns[one.turn], replace(one, visit_id=visit_id, test_id=f"{visit_id}-{one.test_id}"))
        for one in records or visit.records
    ]


def asked(visit: Visit, **changes: Any) -> CampaignResult:
    names = CONFIGS[: len({record.ap_config for record in visit.records})]
    return compare(table_of(facts_of(visit), "the test"), Question("ap_config", names, **changes))


def told(visit: Visit) -> dict[tuple[str, str], Standing]:
    not_fresh = {turn.turn for turn in visit.keeper.turns if turn.association == "not_possible"}
    found = standings(visit.plan, Evidence(visit.records, not_fresh))
    return {(one.pair.b.direction, one.pair.b.ap_config): one for one in found}


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    "how",
    [
        {"plan": {}},
        {"plan": {"configs": 3}},
        {"plan": {"minimum": 4, "maximum": 6, "comparison": {"margin_pct": 20.0, "alpha": 0.1, "family": 7}}},
        {"plan": {"per_turn": 2, "comparison": {"correction": "bonferroni", "looks": 2}, "give_up_early": True}},
        {"plan": {"directions": ("download",)}, "associate": "not_possible"},
        {"plan": {}, "invalid": 0.4},
        {"plan": {}, "failed": 0.3},
        {"plan": {}, "spread": 0.15},
    ],
    ids=[
        "usual",
        "three AP configs",
        "other rules",
        "two runs a turn",
        "no association",
        "invalid",
        "failed",
        "spread",
    ],
)
def test_compare_says_what_the_visit_said(how: Mapping[str, Any], seed: int) -> None:
    """Verdict, reason, look, weight, figures, counts and what it would take: equal, over every comparison."""
    options = {key: value for key, value in how.items() if key != "plan"}
    visit = measured(compared_plan(seed=seed, **how["plan"]), seed, **options)
    result, expected = asked(visit), told(visit)
    assert visit.plan.comparison is not None
    assert result.rules == visit.plan.comparison.rules
    assert len(result.pairs) == len(expected) > 0
    for pair in result.pairs:
        said, own = pair.verdict, expected[str(pair.direction), pair.b].verdict
        assert (said.verdict, said.reason, said.stop) == (own.verdict, own.reason, own.stop)
        assert (said.look, said.look_turns, said.weight) == (own.look, own.look_turns, own.weight)
        assert said.p_difference == pytest.approx(own.p_difference)
        assert said.p_equivalence == pytest.approx(own.p_equivalence)
        for one, other in ((said.a, own.a), (said.b, own.b)):
            assert (one.turns, one.failed, one.attempts, one.invalid) == (
                other.turns,
                other.failed,
                other.attempts,
                other.invalid,
            )
        assert said.more_turns == own.more_turns


def test_attempts_in_doubt_and_a_wire_at_its_limit_are_taken_alike() -> None:
    """What is in doubt is no turn for either; a ceiling that the faster one reaches makes its lead "at least"."""
    visit = measured(compared_plan(seed=4), 18, invalid=0, failed=0, spread=0.01)
    doubt = Flag("roamed", "the laptop changed its access point", "doubt")
    records = [
        replace(one, ceiling_mbps=505.0, flags=(doubt,) if number == 5 else one.flags)
        for number, one in enumerate(visit.records)
    ]
    result = compare(table_of(facts_of(visit, records=records), "the test"), Question("ap_config", CONFIGS[:2]))
    own = {str(one.pair.b.direction): one.verdict for one in standings(visit.plan, Evidence(records))}
    turns = set()
    for pair in result.pairs:
        said, expected = pair.verdict, own[str(pair.direction)]
        assert (said.verdict, said.at_least, said.reason) == (expected.verdict, expected.at_least, expected.reason)
        assert (said.a.turns, said.a.invalid, said.b.turns, said.b.invalid) == (
            expected.a.turns,
            expected.a.invalid,
            expected.b.turns,
            expected.b.invalid,
        )
        turns.add((said.look, said.at_least, said.a.invalid + said.b.invalid))
    assert turns == {(0, False, 1), (1, True, 0)}


def test_the_order_of_the_attempts_does_not_matter() -> None:
    """They carry their place; a store may hand them over in any order."""
    visit = measured(compared_plan(), 11)
    shuffled = visit.records[:]
    random.Random(1).shuffle(shuffled)
    assert standings(visit.plan, Evidence(shuffled)) == standings(visit.plan, Evidence(visit.records))


def test_swapping_reference_and_other_mirrors_what_is_said() -> None:
    """The same attempts, compared the other way round: looks, stops and figures stay, the verdict is mirrored."""
    for seed in range(8):
        visit = measured(compared_plan(seed=seed), seed, spread=0.08)
        planned = visit.plan.comparison
        assert planned is not None
        swapped = replace(visit.plan, comparison=replace(planned, reference="wide80", others=("auto",)))
        for one, other in zip(
            standings(visit.plan, Evidence(visit.records)), standings(swapped, Evidence(visit.records)), strict=True
        ):
            assert other.verdict.verdict is MIRROR.get(one.verdict.verdict, one.verdict.verdict)
            assert (other.verdict.look_turns, other.verdict.stop) == (one.verdict.look_turns, one.verdict.stop)
            assert (other.next_turns, other.verdict.p_difference) == (one.next_turns, one.verdict.p_difference)


def without_measuring(records: Sequence[AttemptRecord], status: Status) -> list[AttemptRecord]:
    return [replace(record, status=status, reason="shared: another client") for record in records]


@pytest.mark.parametrize("status", [Status.INVALID, Status.INTERRUPTED])
def test_invalid_attempts_decide_nothing_however_fast_they_were(status: Status) -> None:
    """Every attempt of one AP config flagged invalid: no look is ever taken, and nothing is said."""
    visit = measured(compared_plan(), 12, invalid=0, failed=0)
    spoiled = [
        one if one.ap_config == "auto" else without_measuring([one], status)[0] for one in visit.records
    ]  # fmt: skip
    for one in standings(visit.plan, Evidence(spoiled)):
        assert (one.verdict.verdict, one.verdict.reason) == (Verdict.NOT_ENOUGH_EVIDENCE, Reason.FEW_TURNS)
        assert (one.verdict.look, one.verdict.stop) == (0, None)


def test_fewer_than_three_turns_are_never_judged() -> None:
    """After one quad, 2 turns of each a factor of 10 apart: no look, no verdict, no interval."""
    plan = compared_plan()
    visit = Visit(plan, rates(lambda record: 40.0 if record.ap_config == "auto" else 400.0), operator=FakeOperator())
    asyncio.run(visit.run())
    quad = [record for record in visit.records if record.turn <= 4]
    for one in standings(plan, Evidence(quad)):
        assert (one.verdict.verdict, one.verdict.interval) == (Verdict.NOT_ENOUGH_EVIDENCE, None)
        assert (one.verdict.stop, one.next_turns) == (None, 4)


# --- the plan that was kept, and what is asked afterwards ----------------------------------------------------------


def test_what_was_settled_after_the_data_were_there_is_said() -> None:
    """Another margin is answered, with a note that it is not the planned one; the looks stay those of the plan."""
    visit = measured(compared_plan(comparison={"looks": 2, "family": 6}), 13)
    plain = asked(visit)
    assert (plain.rules.looks, plain.rules.family_size, plain.notes) == ((4, 10), 6, ())
    assert comparison_document(plain)["planned"]["looks"] == [4, 10]
    changed = asked(visit, margin=0.05, correction=Correction.BONFERRONI)
    assert (changed.rules.margin, changed.rules.looks) == (0.05, (4, 10))
    assert any("margin 5 % instead of 10 %, correction bonferroni instead of holm" in note for note in changed.notes)


def test_visits_that_were_planned_differently_are_not_pooled() -> None:
    """A changed plan is a new campaign; one of them can be asked for by its visit."""
    first = facts_of(measured(compared_plan(seed=1), 14))
    second = facts_of(measured(compared_plan(seed=2, comparison={"margin_pct": 5.0}), 15), "visit-2")
    table = table_of([*first, *second], "the test")
    question = Question("ap_config", ("auto", "wide80"))
    with pytest.raises(UsageError, match="2 campaigns that were planned differently: margin 10 %") as caught:
        compare(table, question)
    assert "--where visit_id=visit-2" in caught.value.next_step
    assert compare(table, replace(question, where={"visit_id": "visit-2"})).rules.margin == 0.05


def test_a_second_visit_of_a_decided_campaign_changes_nothing() -> None:
    """Same plan, same place, another day: the looks of the first visit stand, whatever the second one shows."""
    first = measured(compared_plan(seed=1, directions=("download",)), 16, invalid=0, failed=0)
    again = measured(compared_plan(seed=2, directions=("download",)), 17, invalid=0, failed=0)
    again_at = [
        replace(one, attempt=replace(one.attempt, started_at=one.attempt.started_at.replace(year=2027)))
        for one in facts_of(again, "visit-2")
    ]
    (alone,) = asked(first).pairs
    (both,) = compare(table_of([*facts_of(first), *again_at], "the test"), Question("ap_config", CONFIGS[:2])).pairs
    assert alone.verdict.stop is not None
    assert (both.verdict.look_turns, both.verdict.p_difference) == (
        alone.verdict.look_turns,
        alone.verdict.p_difference,
    )
