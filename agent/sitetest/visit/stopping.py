"""When a comparison is decided and its remaining measurements are not wanted any more. Pure.

    attempts so far ──> turns of each case ──> the two sides ──> looks of the plan ──> goes on, or stopped

The rule and the arithmetic are those of `stats/`, the same that ``compare`` asks later (docs/method.md). Everything
follows from the stored plan and the kept attempts, so that a visit that was cut and resumed decides as one that was
not: the looks are replayed, and a look that was taken is never taken again.

May import plan, stats (those that load slowly inside the functions that need them: a visit without a comparison never
does), store.records, store.tidy (what counts), visit.retry and the standard library only.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import fsum, log
from typing import TYPE_CHECKING

from sitetest.plan.cases import Case, Plan
from sitetest.stats.sides import Sides, Turn, TurnHead, side_by_side, whole_turns
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.tidy import is_counted
from sitetest.visit.retry import case_of

if TYPE_CHECKING:
    from sitetest.stats.answers import Comparison, PairVerdict
    from sitetest.stats.looks import Progress


@dataclass(frozen=True, slots=True)
class CasePair:
    """Two cases that the plan compares; a is the reference's."""

    a: Case
    b: Case


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a comparison stands after a look. verdict: what could be said if the visit ended now, over the family of
    the plan. next_turns: turns of each at the next look, None once it is stopped."""

    pair: CasePair
    verdict: "PairVerdict"
    next_turns: int | None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the rule looks at.

    attempts: of the visit, oldest first. not_fresh: numbers of turns that no fresh association began. under_way: turns
    of a case, by number, whose value may still change; they are left out.
    """

    attempts: Sequence[AttemptRecord]
    not_fresh: Collection[int] = ()
    under_way: Collection[tuple[int, Case]] = ()


def pairs_of(plan: Plan) -> tuple[CasePair, ...]:
    """Return every comparison of a plan, as the profile lists directions, engines and legs; none without one."""
    planned = plan.comparison
    if planned is None or not plan.turns:
        return ()
    references = dict.fromkeys(replace(slot.case, ap_config=planned.reference) for slot in plan.turns[0].slots)
    return tuple(CasePair(a, replace(a, ap_config=other)) for other in planned.others for a in references)


def progress_of(plan: Plan, seen: Evidence) -> Mapping[CasePair, "Progress"]:
    """Return where each comparison stands in its looks."""
    if plan.comparison is None or not plan.comparison.rules.looks:
        return {}
    from sitetest.stats.looks import replay  # noqa: PLC0415

    by_case = _attempts_by_case(seen)
    found = {}
    for pair in pairs_of(plan):
        sides = _sides(pair, by_case, seen)
        found[pair] = replay(sides.a, sides.b, plan.comparison.rules)
    return found


def standings(plan: Plan, seen: Evidence) -> tuple[Standing, ...]:
    """Return what could be said of each comparison now, judged together over the family of the plan."""
    if plan.comparison is None:
        return ()
    from sitetest.stats.verdict import judge  # noqa: PLC0415

    progress = progress_of(plan, seen)
    verdicts = judge(comparisons_of(plan, seen), plan.comparison.rules)
    return tuple(
        Standing(pair, verdict, progress[pair].next_turns if pair in progress else None)
        for pair, verdict in zip(pairs_of(plan), verdicts, strict=True)
    )


def comparisons_of(plan: Plan, seen: Evidence) -> "tuple[Comparison, ...]":
    """Return every comparison of a plan, as far as it was measured, in the order of :func:`pairs_of`."""
    from sitetest.stats.answers import Comparison  # noqa: PLC0415

    by_case = _attempts_by_case(seen)
    found = []
    for pair in pairs_of(plan):
        sides = _sides(pair, by_case, seen)
        found.append(Comparison(f"{pair.b.location} {pair.b.label}", sides.a, sides.b, _ceiling_mbps(pair, by_case)))
    return tuple(found)


def decided_cases(progress: Mapping[CasePair, "Progress"]) -> frozenset[Case]:
    """Return the cases that no comparison wants any more: each one that they take part in has stopped."""
    going_on = {case for pair, one in progress.items() if one.stop is None for case in (pair.a, pair.b)}
    return frozenset(case for pair in progress for case in (pair.a, pair.b)) - going_on


def looks_taken(progress: Mapping[CasePair, "Progress"]) -> Mapping[CasePair, tuple[int, int | None]]:
    """Return number and turns of the last look at each comparison that had one: another answer is a look taken."""
    return {pair: (one.look, one.turns) for pair, one in progress.items() if one.look}


def look_detail(looked: Sequence[Standing]) -> dict[str, object]:
    """Return what the store keeps about a look, as JSON-ready values."""
    return {
        "comparisons": [
            {
                "leg": one.pair.b.leg,
                "engine": one.pair.b.engine,
                "direction": one.pair.b.direction,
                "a": one.pair.a.ap_config,
                "b": one.pair.b.ap_config,
                "look": one.verdict.look,
                "look_turns": one.verdict.look_turns,
                "look_weight": one.verdict.weight,
                "p_difference": one.verdict.p_difference,
                "p_equivalence": one.verdict.p_equivalence,
                "stop": one.verdict.stop,
                "next_look_turns": one.next_turns,
            }
            for one in looked
        ]
    }


# --- from attempts to sides ----------------------------------------------------------------------------------------

_ByCase = Mapping[Case, list[AttemptRecord]]


def _attempts_by_case(seen: Evidence) -> _ByCase:
    found: defaultdict[Case, list[AttemptRecord]] = defaultdict(list)
    for record in seen.attempts:
        case = case_of(record)
        if (record.turn, case) not in seen.under_way:
            found[case].append(record)
    return found


def _sides(pair: CasePair, by_case: _ByCase, seen: Evidence) -> Sides:
    """The turns of both cases in the order in which they ran, side by side."""
    records = sorted((*by_case.get(pair.a, ()), *by_case.get(pair.b, ())), key=lambda record: record.order_index)
    heads = dict.fromkeys((record.turn, record.ap_config) for record in records)
    whole = whole_turns(TurnHead("", turn, name, turn not in seen.not_fresh) for turn, name in heads)
    by_turn: dict[int, list[AttemptRecord]] = {}
    for record in records:
        by_turn.setdefault(whole["", record.turn], []).append(record)
    turns = [_turn(number, tries) for number, tries in by_turn.items()]
    return side_by_side(turns, (pair.a.ap_config, pair.b.ap_config))


def _turn(number: int, tries: Sequence[AttemptRecord]) -> Turn:
    logs = [log(record.throughput_mbps) for record in tries if record.throughput_mbps and is_counted(record)]
    failed = sum(record.status is Status.FAILED for record in tries)
    return Turn(
        level=tries[0].ap_config,
        visit_id=tries[0].visit_id,
        number=number,
        quad=None,
        began="",
        log_mbps=fsum(logs) / len(logs) if logs else None,
        failed=failed / max(failed + len(logs), 1),
        attempts=len(tries),
        invalid=len(tries) - len(logs) - failed,
    )


def _ceiling_mbps(pair: CasePair, by_case: _ByCase) -> float | None:
    """The largest ceiling stated: the least that a value must come close to."""
    stated = [
        record.ceiling_mbps
        for case in (pair.a, pair.b)
        for record in by_case.get(case, ())
        if record.ceiling_mbps is not None
    ]
    return max(stated, default=None)
