"""The answer of ``sitetest compare --json`` as plain data.

Keys that scripts rely on stand first in each object; others may follow them. Shares are shares (0.10 is 10 %), a ratio
is B over A, null is "not known" or "may not be said". May import comparing, plan.plan_json and stats.
"""

from dataclasses import asdict
from typing import Any

from sitetest.comparing.campaign import CampaignResult, PairResult
from sitetest.plan.comparison_json import comparison_document as planned_document
from sitetest.stats.answers import STANDING_SENTENCE, SideFacts
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.student_t import RatioInterval
from sitetest.stats.verdict import PLAIN_LEVEL

NOT_INTERLEAVED = "not_interleaved"
NOT_INTERLEAVED_SENTENCE = (
    "the two did not alternate: what changed between the one and the other in the meantime is as good an explanation, "
    "so each stretch counts as one turn"
)


def comparison_document(result: CampaignResult) -> dict[str, Any]:
    """Return the document without ``format`` and ``command``."""
    rules = result.rules
    return {
        "factor": result.question.factor,
        "reference": result.question.names[0],
        "margin": rules.margin,
        "alpha": rules.alpha,
        "comparisons": [_pair(pair, rules) for pair in result.pairs],
        "correction": rules.correction.value,
        "family_size": rules.family_size,
        "family_found": result.family_found,
        "looks": list(rules.looks),
        "look_weights": list(rules.weights),
        "faster_across_the_board": result.board.value if result.board is not None else None,
        "mean": _interval(result.mean),
        "planned": None if result.planned is None else planned_document(result.planned),
        "simulated": result.simulated,
        "source": result.source,
        "notes": list(result.notes),
        "holds": STANDING_SENTENCE,
    }


def reason_of(pair: PairResult) -> tuple[str, str]:
    """Return the reason as a word and as a sentence: no alternation goes before too few turns, which it explains."""
    if pair.described_only and pair.interleaved is False and pair.verdict.a.valid and pair.verdict.b.valid:
        return NOT_INTERLEAVED, NOT_INTERLEAVED_SENTENCE
    return pair.verdict.reason.value, pair.verdict.sentence


def _pair(pair: PairResult, rules: ComparisonRules) -> dict[str, Any]:
    verdict = pair.verdict
    reason, explanation = reason_of(pair)
    interval = verdict.interval
    more = verdict.more_turns
    plan = pair.plan
    return {
        "location": pair.location,
        "leg": pair.leg,
        "engine": pair.engine,
        "direction": pair.direction,
        "a": pair.a,
        "b": pair.b,
        "n_a": verdict.a.valid,
        "n_b": verdict.b.valid,
        "ratio": interval.ratio if interval is not None else pair.apparent_ratio,
        "ratio_low": interval.low if interval is not None else None,
        "ratio_high": interval.high if interval is not None else None,
        "confidence": interval.level if interval is not None else PLAIN_LEVEL,
        "p_difference": verdict.p_difference,
        "p_equivalence": verdict.p_equivalence,
        "verdict": verdict.verdict.value,
        "reason": reason,
        "more_turns": plan.turns if plan is not None else more.turns if more is not None else None,
        "explanation": explanation,
        "decides_nothing": pair.described_only,
        "more_turns_low": more.low if more is not None else None,
        "more_turns_high": more.high if more is not None else None,
        "shortest_plan": asdict(plan) | {"quads": plan.quads} if plan is not None else None,
        "campaign_interval": _interval(verdict.campaign_interval),
        "p_difference_adjusted": verdict.adjusted_difference,
        "p_equivalence_adjusted": verdict.adjusted_equivalence,
        "at_least": verdict.at_least,
        "probable_ratio": verdict.probable_ratio,
        "look": verdict.look if rules.looks else None,
        "look_turns": verdict.look_turns,
        "look_weight": verdict.weight,
        "next_look_turns": pair.next_look_turns(rules),
        "stop": verdict.stop.value if verdict.stop is not None else None,
        "without_clip": _interval(verdict.unclipped),
        "verdict_without_clip": verdict.verdict_without_clip.value,
        "side_a": _side(verdict.a, pair, pair.values_a),
        "side_b": _side(verdict.b, pair, pair.values_b),
        "reliability": asdict(verdict.reliability) if verdict.reliability is not None else None,
        "interleaved": pair.interleaved,
        "order": pair.order or None,
        "seeds": [int(seed) for seed in pair.seeds],
        "began": pair.began or None,
        "ended": pair.ended or None,
        "also_differs": list(pair.also_differs),
        "ceiling_mbps": pair.ceiling_mbps,
    }


def _side(side: SideFacts, pair: PairResult, values: tuple[float, ...] | None) -> dict[str, Any]:
    estimate = side.estimate
    return {
        "estimate_mbps": estimate.value_mbps if estimate is not None else None,
        "low_mbps": estimate.low_mbps if estimate is not None else None,
        "high_mbps": estimate.high_mbps if estimate is not None else None,
        "cv": side.cv,
        "values_mbps": list(values) if values is not None else None,
        "valid_turns": side.valid,
        "turns": side.turns,
        "failed_turns": side.failed,
        "attempts": side.attempts,
        "invalid_attempts": side.invalid,
        "invalid_reasons": dict(side.invalid_reasons),
        "dips": side.dips,
        "flagged": [asdict(turn) | {"where": pair.where(turn.turn)} for turn in side.flagged],
        "ceiling_bound": side.ceiling_bound,
    }


def _interval(interval: RatioInterval | None) -> dict[str, Any] | None:
    return None if interval is None else asdict(interval)
