"""What a planned comparison can be expected to find, and what that costs, before anyone starts.

    plan + spread between turns ──> chance to find 5, 10 and 20 %, turns and time for four chances in five

The spread is the one seen at the location before, where three turns or more of a case were measured in one visit, and
otherwise assumed. May import plan, stats, store.records, store.tidy (what counts) and the standard library only.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import fsum, log

from sitetest.plan.cases import Plan
from sitetest.plan.estimate import estimate
from sitetest.stats.case_estimate import pooled_cv
from sitetest.stats.power import chance, turns_for
from sitetest.stats.rules import MIN_TURNS, TURNS_PER_QUAD, ComparisonRules
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import is_counted

DIFFERENCES = (0.05, 0.10, 0.20)
"""Shares for which the chance is shown."""


@dataclass(frozen=True, slots=True)
class Finding:
    """difference: true one, B over A less one. chance: 0..1, that the right one is called faster at the last look; None
    when the plan has too few turns for any verdict. turns, duration_s: for four chances in five of some verdict; None
    for more than 80 turns of each."""

    difference: float
    chance: float | None
    turns: int | None
    duration_s: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """cv: spread between turns reckoned with, a share; seen: at this location before, not assumed. findings: one for
    each of DIFFERENCES. equal_chance: that "no practical difference" is said of two that are equal; None as ``chance``.
    first_turns, most_turns: of each AP config at the first and at the last look; first_s, most_s: the time until then,
    in seconds."""

    rules: ComparisonRules
    cv: float
    seen: bool
    findings: tuple[Finding, ...]
    equal_chance: float | None
    first_turns: int
    first_s: float
    most_turns: int
    most_s: float


def outlook(plan: Plan, *, seen_cv: float | None, assumed_cv: float) -> Outlook | None:
    """Return what to expect of a plan; None when it compares nothing. seen_cv, assumed_cv: shares, above 0."""
    if plan.comparison is None:
        return None
    rules = plan.comparison.rules
    cv = assumed_cv if seen_cv is None else seen_cv
    first, most = (rules.looks[0], rules.looks[-1]) if rules.looks else (plan.minimum_turns, plan.maximum_turns)
    most_s = estimate(plan.first(most)).duration_s

    def finding(difference: float) -> Finding:
        turns = turns_for(difference, cv, rules)
        if turns is not None:
            turns = max(turns + turns % TURNS_PER_QUAD, first)
        return Finding(
            difference,
            chance(difference, most, cv, rules).faster if rules.looks else None,
            turns,
            None if turns is None else most_s * turns / most,
        )

    return Outlook(
        rules=rules,
        cv=cv,
        seen=seen_cv is not None,
        findings=tuple(map(finding, DIFFERENCES)),
        equal_chance=chance(0.0, most, cv, rules).no_practical_difference if rules.looks else None,
        first_turns=first,
        first_s=estimate(plan.first(first)).duration_s,
        most_turns=most,
        most_s=most_s,
    )


def seen_cv(attempts: Iterable[AttemptRecord], plan: Plan) -> float | None:
    """Return the spread between turns (a share) that the cases of a plan showed before: within a visit, pooled over
    every case that had 3 turns or more. None when there is none."""
    known = {(case.location, case.leg, case.engine, case.direction) for case in plan.cases}
    values: defaultdict[tuple[str, ...], defaultdict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    for record in attempts:
        words = (record.location, record.leg, record.engine, record.direction)
        if words in known and is_counted(record) and record.throughput_mbps:
            values[record.visit_id, record.ap_config, *words][record.turn].append(log(record.throughput_mbps))
    cases = ([fsum(logs) / len(logs) for logs in turns.values()] for turns in values.values())
    return pooled_cv(logs for logs in cases if len(logs) >= MIN_TURNS)
