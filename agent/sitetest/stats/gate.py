"""Has the new firmware made it worse? Pass, fail or inconclusive, for scripts.

    fail          any case, or the mean, is shown to be worse than the limit (Holm over K + 1 one-sided tests),
                  or a case fails more often than before (one-sided Boschloo)
    pass          not fail; the mean is shown not to be worse than the limit; no case's own estimate is past it;
                  3 valid turns in every case; no case that fails now and failed less before
    inconclusive  otherwise; the invalid guard of a case forbids both a pass and a fail by throughput

Looks are optional and are taken when all cases have the turns, with the weights of ``rules.look_weights``.

Promises: an unchanged build fails in at most alpha of the gates, and so does one at the limit pass, as far as Welch's t
holds. "Nothing measured" is never a fail. May import sitetest.stats.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import log1p

from sitetest.stats.campaign_mean import mean_log_ratio
from sitetest.stats.case_estimate import estimate_case
from sitetest.stats.clip import clip_pair
from sitetest.stats.family import Held, hold_family
from sitetest.stats.gate_answers import (
    GATE_REASONS,
    GateAnswer,
    GateCase,
    GateCaseResult,
    GateReason,
    GateResult,
    GateRules,
)
from sitetest.stats.guards import ceiling_bound, failing, invalid_guard
from sitetest.stats.pair import welch
from sitetest.stats.rates import p_counts_differ
from sitetest.stats.rules import MIN_TURNS, look_weights
from sitetest.stats.student_t import LogRatio
from sitetest.stats.turns import CaseTurns

PLAIN_LEVEL = 0.95
MEAN_LEVEL = 0.90  # two-sided: its lower end is the one-sided 95 % bound that a pass asks for

_ANSWERS = {
    GateReason.NOT_WORSE: GateAnswer.PASS,
    GateReason.CASE_WORSE: GateAnswer.FAIL,
    GateReason.MEAN_WORSE: GateAnswer.FAIL,
    GateReason.FAILS_MORE: GateAnswer.FAIL,
}
_PRECEDENCE = tuple(reason for reason in GateReason if reason is not GateReason.NOT_WORSE)


@dataclass(frozen=True, slots=True)
class _Seen:
    """One case up to a look."""

    case: GateCase
    old: CaseTurns
    new: CaseTurns
    ratio: LogRatio | None
    old_logs: Sequence[float]
    new_logs: Sequence[float]
    flagged: int
    guarded: bool

    @property
    def p_fails_more(self) -> float:
        return p_counts_differ(self.old.failed, len(self.old.turns), self.new.failed, len(self.new.turns), "less")

    @property
    def newly_failing(self) -> bool:
        return failing(self.new) and self.new.failed > self.old.failed


def _see(case: GateCase, turns: int | None) -> _Seen:
    old, new = (case.old, case.new) if turns is None else (case.old.first(turns), case.new.first(turns))
    guarded = invalid_guard(case.old, case.new)
    if min(len(old.logs), len(new.logs)) < MIN_TURNS:
        return _Seen(case, old, new, None, old.logs, new.logs, 0, guarded)
    clipped_old, clipped_new = clip_pair(old.logs, new.logs)
    flagged = len(clipped_old.flagged) + len(clipped_new.flagged)
    ratio = welch(clipped_old.logs, clipped_new.logs)
    return _Seen(case, old, new, ratio, clipped_old.logs, clipped_new.logs, flagged, guarded)


def judge_gate(cases: Sequence[GateCase], rules: GateRules) -> GateResult:
    """Return the answer over all planned cases. Raises ValueError when there are more cases than planned."""
    if not rules.looks:
        return _judge_at(cases, rules, None, 1.0, last=True)
    have = min((min(len(case.old.turns), len(case.new.turns)) for case in cases), default=0)
    result: GateResult | None = None
    for turns, weight in zip(rules.looks, look_weights(len(rules.looks)), strict=True):
        if turns > have:
            break
        result = _judge_at(cases, rules, turns, weight, last=turns == rules.looks[-1])
        if result.stopped:
            break
    return result if result is not None else _judge_at(cases, rules, None, 0.0, last=False)


@dataclass(frozen=True, slots=True)
class _Tested:
    """The K + 1 hypotheses held. p_worse: one a case, None where it may not be asked."""

    mean: LogRatio | None
    p_worse: tuple[float | None, ...]
    cases: tuple[Held, ...]
    mean_held: Held
    p_pass: float | None


def _test(seen: Sequence[_Seen], rules: GateRules, weight: float) -> _Tested:
    limit = log1p(-rules.limit)
    ratios = [one.ratio for one in seen if one.ratio is not None]
    mean = mean_log_ratio(ratios) if len(ratios) == rules.family_size else None
    p_worse = [one.ratio.p_below(limit) if one.ratio is not None and not one.guarded else None for one in seen]
    p_mean = mean.p_below(limit) if mean is not None and not any(one.guarded for one in seen) else None
    shares = [_share(p, weight) for p in (p_mean, *p_worse)]
    mean_held, *held = hold_family(shares, rules.alpha, rules.family_size + 1)
    p_pass = mean.p_above(limit) if mean is not None else None
    return _Tested(mean, tuple(p_worse), tuple(held), mean_held, p_pass)


def _reason(
    seen: Sequence[_Seen], tested: _Tested, rules: GateRules, weight: float
) -> tuple[GateReason, tuple[str, ...]]:
    """Return the first reason that applies, in order of weight, with the labels of the cases that it is about."""
    limit = log1p(-rules.limit)
    strict = weight * rules.alpha / rules.family_size

    def labels(chosen: Iterable[bool]) -> tuple[str, ...]:
        return tuple(one.case.label for one, wanted in zip(seen, chosen, strict=True) if wanted)

    shown = tested.p_pass is not None and tested.p_pass <= weight * rules.alpha
    by_case = {
        GateReason.CASE_WORSE: labels(held.rejected for held in tested.cases),
        GateReason.FAILS_MORE: labels(one.p_fails_more <= strict for one in seen),
        GateReason.FEW_TURNS: labels(one.ratio is None for one in seen),
        GateReason.INVALID: labels(one.guarded for one in seen),
        GateReason.FAILED_TURNS: labels(one.newly_failing for one in seen),
        GateReason.CASE_PAST_LIMIT: labels(one.ratio is not None and one.ratio.estimate <= limit for one in seen),
    }
    of_all = {
        GateReason.MEAN_WORSE: tested.mean_held.rejected,
        GateReason.CASE_MISSING: len(seen) < rules.family_size,
        GateReason.LOOK_NOT_REACHED: weight == 0,
        GateReason.MEAN_OPEN: not shown,
    }
    for reason in _PRECEDENCE:
        if by_case.get(reason) or of_all.get(reason):
            return reason, by_case.get(reason, ())
    return GateReason.NOT_WORSE, ()


def _judge_at(
    cases: Sequence[GateCase], rules: GateRules, turns: int | None, weight: float, *, last: bool
) -> GateResult:
    """weight: share of alpha of this look; 0 before the first one, when nothing may be decided."""
    seen = [_see(case, turns) for case in cases]
    tested = _test(seen, rules, weight)
    reason, labels = _reason(seen, tested, rules, weight)
    answer = _ANSWERS.get(reason, GateAnswer.INCONCLUSIVE)
    results = tuple(_result(*each) for each in zip(seen, tested.p_worse, tested.cases, strict=True))
    measured = [(result.ratio.ratio, result.label) for result in results if result.ratio is not None]
    worst_ratio, worst = min(measured, default=(None, None))
    return GateResult(
        answer=answer,
        reason=reason,
        sentence=GATE_REASONS[reason],
        cases_named=labels,
        mean=tested.mean.interval(MEAN_LEVEL) if tested.mean is not None else None,
        p_pass=tested.p_pass,
        worst=worst,
        worst_ratio=worst_ratio,
        cases=results,
        limit=rules.limit,
        alpha=rules.alpha,
        turns=turns,
        weight=weight,
        stopped=last or answer is not GateAnswer.INCONCLUSIVE,
    )


def _result(one: _Seen, p_worse: float | None, held: Held) -> GateCaseResult:
    ceiling = one.case.ceiling_mbps
    return GateCaseResult(
        label=one.case.label,
        ratio=one.ratio.interval(PLAIN_LEVEL) if one.ratio is not None else None,
        old=estimate_case(one.old_logs),
        new=estimate_case(one.new_logs),
        p_worse=p_worse,
        p_worse_adjusted=held.adjusted,
        p_fails_more=one.p_fails_more,
        flagged=one.flagged,
        failed_old=one.old.failed,
        failed_new=one.new.failed,
        invalid_old=one.old.invalid,
        invalid_new=one.new.invalid,
        ceiling_bound=ceiling_bound(one.old, ceiling) or ceiling_bound(one.new, ceiling),
    )


def _share(p: float | None, weight: float) -> float:
    """Return p divided by the weight of the look; 1 where nothing may be asked."""
    return 1.0 if p is None or weight == 0 else min(p / weight, 1.0)
