"""What may be said about A against B, over a whole campaign at once.

    fewer than 3 valid turns ──> not enough evidence; no setting changes that
    invalid guard            ──> not enough evidence
    no look reached yet      ──> not enough evidence
    equivalence rejected     ──> no practical difference      each of the two families held over all K planned
    difference rejected      ──> A faster / B faster          comparisons, blocked hypotheses entering as 1
    otherwise                ──> not enough evidence, and how many turns would do

Equivalence is blocked by a wired ceiling and by failed turns; a configuration that keeps failing is never called
faster.

Promises: the chance of any false "faster" in the campaign is at most alpha, that of any false "no practical difference"
too (``Correction.BONFERRONI``: both together), as far as Welch's t holds. Swapping A and B mirrors every answer.
May import sitetest.stats.
"""

from collections.abc import Sequence
from math import exp

from sitetest.stats.answers import (
    REASONS,
    Comparison,
    FlaggedTurn,
    PairVerdict,
    Reason,
    Reliability,
    SideFacts,
    Verdict,
)
from sitetest.stats.campaign_mean import mean_log_ratio
from sitetest.stats.case_estimate import coefficient_of_variation, estimate_case
from sitetest.stats.clip import ClippedCase
from sitetest.stats.evidence import Evidence, gather
from sitetest.stats.family import Held, hold_family
from sitetest.stats.looks import spread_per_turn
from sitetest.stats.more_turns import MoreTurns, more_turns
from sitetest.stats.pair import margin_log
from sitetest.stats.rates import p_counts_differ
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.sequences import upper_middle
from sitetest.stats.student_t import LogRatio, RatioInterval
from sitetest.stats.turns import CaseTurns

PLAIN_LEVEL = 0.95


def _hold(evidence: Sequence[Evidence], rules: ComparisonRules, *, clipped: bool = True) -> list[tuple[Held, Held]]:
    """Hold both families, difference and equivalence; what is blocked enters as 1."""
    bound = margin_log(rules.margin)
    q_difference, q_equivalence = [], []
    for one in evidence:
        ratio, weight = one.ratio(clipped=clipped), one.progress.weight
        different = ratio is not None and one.difference_blocked(ratio) is None
        equivalent = ratio is not None and one.equivalence_blocked is None
        q_difference.append(min(ratio.p_different() / weight, 1.0) if ratio and different else 1.0)
        q_equivalence.append(min(ratio.p_equivalent(bound) / weight, 1.0) if ratio and equivalent else 1.0)
    difference, equivalence = (
        hold_family(q_values, rules.alpha, rules.family_size, rules.correction)
        for q_values in (q_difference, q_equivalence)
    )
    return list(zip(difference, equivalence, strict=True))


def _say(ratio: LogRatio | None, difference: Held, equivalence: Held) -> Verdict:
    if ratio is None:
        return Verdict.NOT_ENOUGH_EVIDENCE
    if equivalence.rejected:
        return Verdict.NO_PRACTICAL_DIFFERENCE
    if difference.rejected:
        return Verdict.B_FASTER if ratio.estimate > 0 else Verdict.A_FASTER
    return Verdict.NOT_ENOUGH_EVIDENCE


def _why(verdict: Verdict, one: Evidence) -> Reason:
    if verdict is Verdict.NO_PRACTICAL_DIFFERENCE:
        return Reason.EQUIVALENCE_SHOWN
    if verdict is not Verdict.NOT_ENOUGH_EVIDENCE:
        return Reason.DIFFERENCE_SHOWN
    return one.difference_blocked(one.ratio()) or one.equivalence_blocked or Reason.SPREAD


def _flagged(case: CaseTurns, clipped: ClippedCase) -> tuple[FlaggedTurn, ...]:
    turns, logs = case.valid_turns, case.logs
    if not clipped.flagged:
        return ()
    centre = upper_middle(logs)
    return tuple(FlaggedTurn(turns[i].turn, exp(logs[i]), logs[i] < centre, clipped.clipped) for i in clipped.flagged)


def _side(case: CaseTurns, clipped: ClippedCase | None, at_ceiling: bool) -> SideFacts:
    logs = case.logs
    return SideFacts(
        estimate=estimate_case(clipped.logs if clipped is not None else logs),
        cv=coefficient_of_variation(logs) if len(logs) > 1 else None,
        valid=len(logs),
        turns=len(case.turns),
        failed=case.failed,
        attempts=case.attempts,
        invalid=case.invalid,
        invalid_reasons=case.invalid_reasons,
        flagged=_flagged(case, clipped) if clipped is not None else (),
        ceiling_bound=at_ceiling,
    )


def _reliabilities(evidence: Sequence[Evidence], rules: ComparisonRules) -> list[Reliability | None]:
    """Compare the failed turns, with a family of their own; None where nothing failed."""
    counts = [(one.a.failed, len(one.a.turns), one.b.failed, len(one.b.turns)) for one in evidence]
    p_values = [p_counts_differ(*count) for count in counts]
    lines: list[Reliability | None] = []
    for count, p, held in zip(counts, p_values, hold_family(p_values, rules.alpha, rules.family_size), strict=True):
        failed_a, turns_a, failed_b, turns_b = count
        better = "a" if failed_a * turns_b < failed_b * turns_a else "b"
        shown = better if held.rejected else None
        lines.append(Reliability(*count, p, held.adjusted, shown) if failed_a or failed_b else None)
    return lines


def judge(comparisons: Sequence[Comparison], rules: ComparisonRules) -> tuple[PairVerdict, ...]:
    """Return the verdict of every comparison, in the order given; the answers do not depend on that order.

    Raises ValueError when there are more comparisons than the rules have planned.
    """
    return judge_evidence([gather(comparison, rules) for comparison in comparisons], rules)


def judge_evidence(evidence: Sequence[Evidence], rules: ComparisonRules) -> tuple[PairVerdict, ...]:
    """Return what :func:`judge` does, from what was gathered of each comparison."""
    held = _hold(evidence, rules)
    moved = any(one.test is not None and one.test.clipped for one in evidence)
    held_raw = _hold(evidence, rules, clipped=False) if moved else held
    without_clip = [_say(one.ratio(clipped=False), *raw) for one, raw in zip(evidence, held_raw, strict=True)]
    reliabilities = _reliabilities(evidence, rules)
    return tuple(
        _pair_verdict(one, rules, pair, reliability, raw)
        for one, pair, reliability, raw in zip(evidence, held, reliabilities, without_clip, strict=True)
    )


def _pair_verdict(
    one: Evidence,
    rules: ComparisonRules,
    held: tuple[Held, Held],
    reliability: Reliability | None,
    without_clip: Verdict,
) -> PairVerdict:
    test, progress, ratio = one.test, one.progress, one.ratio()
    difference, equivalence = held
    verdict = _say(ratio, difference, equivalence)
    reason = _why(verdict, one)
    equal = verdict is Verdict.NO_PRACTICAL_DIFFERENCE
    tail = (2 * equivalence.level if equal else difference.level) * progress.weight
    looked = test if one.stopper is None else None
    return PairVerdict(
        label=one.comparison.label,
        verdict=verdict,
        reason=reason,
        sentence=REASONS[reason],
        interval=ratio.interval(PLAIN_LEVEL) if ratio is not None else None,
        campaign_interval=looked.ratio.interval(1 - tail) if looked is not None else None,
        p_difference=looked.p_difference if looked is not None else None,
        p_equivalence=looked.p_equivalence if looked is not None else None,
        adjusted_difference=difference.adjusted,
        adjusted_equivalence=equivalence.adjusted,
        difference_blocked=one.difference_blocked(ratio),
        equivalence_blocked=one.equivalence_blocked,
        a=_side(one.a, test.a if test is not None else None, one.a_ceiling),
        b=_side(one.b, test.b if test is not None else None, one.b_ceiling),
        reliability=reliability,
        unclipped=test.raw.interval(PLAIN_LEVEL) if test is not None and test.clipped else None,
        verdict_without_clip=without_clip,
        probable_ratio=exp(ratio.estimate) if ratio is not None and equal and difference.rejected else None,
        at_least=(verdict is Verdict.B_FASTER and one.b_ceiling) or (verdict is Verdict.A_FASTER and one.a_ceiling),
        look=progress.look,
        look_turns=progress.turns,
        weight=progress.weight,
        stop=progress.stop,
        more_turns=_more(one, rules, difference, equivalence) if verdict is Verdict.NOT_ENOUGH_EVIDENCE else None,
    )


def _more(one: Evidence, rules: ComparisonRules, difference: Held, equivalence: Held) -> MoreTurns | None:
    if one.test is None:
        return None
    ratio = one.test.ratio
    return more_turns(
        ratio.estimate,
        spread_per_turn(one.test),
        rules.margin,
        None if one.difference_closed(ratio) else difference.level,
        None if one.equality_closed else equivalence.level,
    )


def across_the_board(verdicts: Sequence[PairVerdict], family_size: int) -> Verdict | None:
    """Return A_FASTER or B_FASTER when every planned comparison says so, else None."""
    said = {verdict.verdict for verdict in verdicts}
    if len(verdicts) != family_size or len(said) != 1:
        return None
    only = said.pop()
    return only if only in (Verdict.A_FASTER, Verdict.B_FASTER) else None


def campaign_mean(evidence: Sequence[Evidence], rules: ComparisonRules) -> RatioInterval | None:
    """Return the mean ratio over all planned comparisons with its 95 % interval, None unless each of them has one.

    To be labelled as a mean: it says nothing about one place.
    """
    ratios = [one.ratio() for one in evidence]
    known = [ratio for ratio in ratios if ratio is not None]
    if len(known) != rules.family_size:
        return None
    return mean_log_ratio(known).interval(PLAIN_LEVEL)
