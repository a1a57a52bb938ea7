"""By which rules a comparison is judged: those that were settled before its first attempt, where a visit has kept them.

    stored plan of the visits ──> its rules     looks that were spent stay spent
    no plan                   ──> the usual ones; of soaks, one look at all there is: when they ended did not hang on
                                  what they measured
    options                   ──> go before both, and what differs from the plan is said

A changed plan is a new campaign: attempts under different plans are never judged together.

May import plan.cases, stats, comparing, errors.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

from sitetest.comparing.attempt_table import AttemptTable
from sitetest.comparing.pairing import PairedTurns, Question
from sitetest.errors import UsageError
from sitetest.plan.cases import PlannedComparison
from sitetest.stats.rules import DEFAULT_LOOKS, ComparisonRules

PLANNED_FACTOR = "ap_config"
"""The column that a visit's own plan compares by."""


def plan_of(table: AttemptTable, question: Question, pairs: Sequence[PairedTurns]) -> PlannedComparison | None:
    """Return the plan that the compared visits share; None when they kept none, or when another column is compared.

    Raises UsageError when they were planned differently.
    """
    if question.factor != PLANNED_FACTOR:
        return None
    visits = dict.fromkeys(visit_id for pair in pairs for visit_id in pair.turns.visits)
    known = {visit_id: table.plans.get(visit_id) for visit_id in visits}
    planned = {
        visit_id: plan
        for visit_id, plan in known.items()
        if plan is not None and {*question.names} <= {plan.reference, *plan.others}
    }
    campaigns = {(plan.rules, plan.rules_version) for plan in planned.values()}
    if len(campaigns) > 1:
        raise UsageError(
            f"{table.source}: the attempts belong to {len(campaigns)} campaigns that were planned differently: "
            f"{_shown(planned.values())}. A changed plan is a new campaign.",
            f"Choose one, for example with --where visit_id={next(reversed(planned))}.",
        )
    return next(iter(planned.values()), None)


def rules_for(
    question: Question, planned: PlannedComparison | None, family: int, *, one_look: bool
) -> tuple[ComparisonRules, tuple[str, ...]]:
    """Return the rules, and what is to be said about them. family: comparisons asked for, or found in the data.
    one_look: without a plan, at all turns there are."""
    base = ComparisonRules(family, looks=() if one_look else DEFAULT_LOOKS)
    if planned is not None:
        base = replace(planned.rules, family_size=max(family, planned.rules.family_size))
        if question.family_size is not None:
            base = replace(base, family_size=question.family_size)
    rules = replace(
        base,
        margin=base.margin if question.margin is None else question.margin,
        alpha=base.alpha if question.alpha is None else question.alpha,
        correction=base.correction if question.correction is None else question.correction,
    )
    if planned is None:
        return rules, ()
    changed = [
        f"{name} {told(getattr(rules, field))} instead of {told(getattr(planned.rules, field))}"
        for name, field, told in (
            ("margin", "margin", _share),
            ("alpha", "alpha", _share),
            ("correction", "correction", str),
            ("family", "family_size", str),
        )
        if getattr(rules, field) != getattr(planned.rules, field)
    ]
    if not changed:
        return rules, ()
    return rules, (
        f"Not as planned before the first attempt: {', '.join(changed)}. What was settled after the data were there "
        "keeps no promise about false verdicts.",
    )


def soak_notes(table: AttemptTable, pairs: Sequence[PairedTurns]) -> tuple[str, ...]:
    """Return what is to be said about the one look that a soak has: at its end, all of alpha. pairs: of soaks."""
    visits = dict.fromkeys(visit_id for pair in pairs for visit_id in pair.turns.visits)
    pooled = max((pair.turns.visits for pair in pairs if pair.interleaved), key=len, default=())
    early = [visit_id for visit_id in visits if visit_id in table.not_over]
    notes = []
    if early:
        those = f"The soak {early[0]} has" if len(early) == 1 else f"The soaks {', '.join(early)} have"
        notes.append(
            f"{those} not come to the planned end. A soak is looked at once, when it is over: a verdict before that "
            "holds as promised only if nothing that was measured decided when to look."
        )
    if len(pooled) > 1:
        notes.append(
            f"{len(pooled)} soaks are judged together, in one look over all their turns. That holds as promised only "
            f"if it was settled before the first of them; for one alone: --where visit_id={pooled[-1]}."
        )
    return tuple(notes)


def _shown(plans: Collection[PlannedComparison]) -> str:
    shown = dict.fromkeys(
        f"margin {_share(plan.rules.margin)}, alpha {_share(plan.rules.alpha)}, family {plan.rules.family_size}, "
        f"correction {plan.rules.correction.value}, "
        + (f"looks {', '.join(map(str, plan.rules.looks))}" if plan.rules.looks else "one look at the end")
        + (", given up early" if plan.rules.give_up_early else "")
        for plan in plans
    )
    return "; against ".join(shown)


def _share(share: float) -> str:
    return f"{100 * share:.3g} %"
