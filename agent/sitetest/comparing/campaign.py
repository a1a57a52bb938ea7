"""A comparison over everything that a table of attempts holds: which pairs there are, in which order they were
measured, and what may be said of each.

    table + factor + names ──> selected rows ──> turns of each case ──> pairs ──> verdicts over the whole family

Promises: no verdict for configurations that did not alternate, nor from fewer than 3 turns; nothing is pooled that
must not be; what is assumed is said. May import stats, comparing, errors and plan.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

from sitetest.comparing.attempt_table import AttemptTable
from sitetest.comparing.case_turns import KEYS, RanTurns
from sitetest.comparing.pairing import PairedTurns, Question, pair_up
from sitetest.comparing.planned_rules import plan_of, rules_for, soak_notes
from sitetest.comparing.shortest_plan import ShortestPlan, shortest_plan
from sitetest.comparing.side_by_side import logs_of
from sitetest.plan.cases import PlannedComparison
from sitetest.stats.answers import PairVerdict, Reason, Verdict
from sitetest.stats.evidence import gather
from sitetest.stats.rules import TURNS_PER_QUAD, ComparisonRules
from sitetest.stats.sequences import total
from sitetest.stats.student_t import RatioInterval
from sitetest.stats.verdict import across_the_board, campaign_mean, judge_evidence

MOST_SHOWN = 1000
"""Values of one side that are listed one by one."""


@dataclass(frozen=True, slots=True)
class PairResult:
    """One comparison with all that stands beside it.

    location, leg, engine, direction: None where it is the compared column or not stated. interleaved: whether the two
    alternated, None when assumed. order: the turns as letters, a space between quads or visits; "" when not known.
    seeds, began, ended: as stated. values_a, values_b: Mbit/s of every valid turn as measured, None when there are more
    than a thousand on a side. apparent_ratio: B over A
    of what was seen, None when one side has no value. also_differs: conditions that differ between the sides.
    ceiling_mbps: wired ceiling, None when not known. turns: of both sides, in order. plan: what could
    decide it, where no verdict was possible at all.
    """

    location: str | None
    leg: str | None
    engine: str | None
    direction: str | None
    a: str
    b: str
    verdict: PairVerdict
    interleaved: bool | None
    order: str
    seeds: tuple[str, ...]
    began: str
    ended: str
    values_a: tuple[float, ...] | None
    values_b: tuple[float, ...] | None
    apparent_ratio: float | None
    also_differs: tuple[str, ...]
    ceiling_mbps: float | None
    turns: RanTurns
    plan: ShortestPlan | None

    def where(self, number: int) -> str:
        """Say where a turn of this comparison (1 is the first) stands in the data."""
        if self.interleaved is False:
            return f"stretch {number}"
        visit_id, turn = self.turns.visit_names[self.turns.visit[number - 1]], int(self.turns.number[number - 1])
        return f"{visit_id} turn {turn}" if visit_id else f"{'turn' if self.order else 'data row'} {turn}"

    def next_look_turns(self, rules: ComparisonRules) -> int | None:
        """Turns of each configuration at which the plan looks again; None when it does not."""
        done = self.verdict
        if done.stop is not None or not rules.looks:
            return None
        if done.reason is Reason.EXTRA_QUAD_OWED:
            return rules.looks[-1] + TURNS_PER_QUAD
        return next((look for look in rules.looks if look > (done.look_turns or 0)), None)

    @property
    def case(self) -> str:
        """The case in words."""
        return " ".join(word for word in (self.location, self.direction, self.leg, self.engine) if word)

    @property
    def described_only(self) -> bool:
        """Whether the data decide nothing whatever they show: too few turns, or no alternation."""
        return self.verdict.reason is Reason.FEW_TURNS


@dataclass(frozen=True, slots=True)
class CampaignResult:
    """board: the verdict that all planned comparisons share, None otherwise. mean: B over A, the mean over them, None
    unless each has an interval and there is one B only. family_found: comparisons that the data hold. planned: what the
    visits had settled before their first attempt, None when they had not, or when another column is compared."""

    question: Question
    rules: ComparisonRules
    pairs: tuple[PairResult, ...]
    board: Verdict | None
    mean: RatioInterval | None
    family_found: int
    source: str
    simulated: str | None
    notes: tuple[str, ...]
    planned: PlannedComparison | None = None


def compare(table: AttemptTable, question: Question) -> CampaignResult:
    """Return what the table says. Raises UsageError when the question does not fit the data."""
    paired = pair_up(table, question)
    planned = plan_of(table, question, paired.pairs)
    one_look = table.typed or paired.soaks
    rules, told = rules_for(question, planned, paired.family(question.family_size), one_look=one_look)
    of_soaks = soak_notes(table, paired.pairs) if paired.soaks else ()
    family = rules.family_size
    evidence = [gather(pair.comparison, rules) for pair in paired.pairs]
    verdicts = judge_evidence(evidence, rules)
    one_b = len(question.names) == 2
    return CampaignResult(
        question=question,
        rules=rules,
        pairs=tuple(_result(*both, rules) for both in zip(paired.pairs, verdicts, strict=True)),
        board=across_the_board(verdicts, family) if one_b else None,
        mean=campaign_mean(evidence, rules) if one_b and family > 1 else None,
        family_found=len(paired.pairs),
        source=table.source,
        simulated=paired.simulated,
        notes=(*paired.notes, *of_soaks, *told),
        planned=planned,
    )


def _result(pair: PairedTurns, verdict: PairVerdict, rules: ComparisonRules) -> PairResult:
    logs_a, logs_b = (logs_of(pair.turns, name) for name in pair.names)
    apparent = exp(total(logs_b) / len(logs_b) - total(logs_a) / len(logs_a)) if logs_a and logs_b else None
    described = verdict.reason is Reason.FEW_TURNS
    began, ended = pair.turns.period
    words = {name: pair.key.get(name) or None for name in KEYS}
    return PairResult(
        **words,
        a=pair.names[0],
        b=pair.names[1],
        verdict=verdict,
        interleaved=pair.interleaved,
        order=pair.order,
        seeds=pair.seeds,
        began=began,
        ended=ended,
        values_a=_few(logs_a),
        values_b=_few(logs_b),
        apparent_ratio=apparent,
        also_differs=pair.also_differs,
        ceiling_mbps=pair.comparison.ceiling_mbps,
        turns=pair.turns,
        plan=shortest_plan(logs_a, logs_b, rules) if described else None,
    )


def _few(logs: Sequence[float]) -> tuple[float, ...] | None:
    """Return Mbit/s, or None for more values than anyone reads."""
    return tuple(map(exp, logs)) if len(logs) <= MOST_SHOWN else None
