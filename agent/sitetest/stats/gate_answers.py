"""The words of the gate, its rules, and the records that carry its answer.

May import sitetest.stats.
"""

from dataclasses import dataclass
from enum import StrEnum

from sitetest.stats.case_estimate import CaseEstimate
from sitetest.stats.rules import MIN_TURNS
from sitetest.stats.student_t import RatioInterval
from sitetest.stats.turns import CaseTurns


class GateAnswer(StrEnum):
    """What the gate says."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


class GateReason(StrEnum):
    """Why; where several apply, the first in this order is named (but for the only one that passes)."""

    NOT_WORSE = "shown_not_worse"
    CASE_WORSE = "case_shown_worse"
    MEAN_WORSE = "mean_shown_worse"
    FAILS_MORE = "case_fails_more_often"
    CASE_MISSING = "case_missing"
    FEW_TURNS = "fewer_than_three_turns"
    LOOK_NOT_REACHED = "look_not_reached"
    INVALID = "invalid_attempts"
    FAILED_TURNS = "failed_turns"
    CASE_PAST_LIMIT = "case_estimate_past_limit"
    MEAN_OPEN = "mean_not_shown"


GATE_REASONS = {
    GateReason.NOT_WORSE: "on average shown not to be worse than the limit, and no case's estimate is past it",
    GateReason.CASE_WORSE: "a case is shown to be worse than the limit",
    GateReason.MEAN_WORSE: "the mean over all cases is shown to be worse than the limit",
    GateReason.FAILS_MORE: "a case fails more often than before",
    GateReason.CASE_MISSING: "a planned case was not measured",
    GateReason.FEW_TURNS: "a case has fewer than 3 valid turns, before or now",
    GateReason.LOOK_NOT_REACHED: "the first look of the plan is not reached yet in every case",
    GateReason.INVALID: "a case has too many, or too unequal, invalid attempts",
    GateReason.FAILED_TURNS: "a case has failed turns that it did not have before",
    GateReason.CASE_PAST_LIMIT: "the estimate of a case is past the limit, without being shown to be",
    GateReason.MEAN_OPEN: "the mean is not shown to be better than the limit",
}


@dataclass(frozen=True, slots=True)
class GateRules:
    """family_size: cases planned. limit: share that a build may be worse, 0.10 is 10 %. alpha: chance of a false
    answer. looks: turns per firmware; empty for one look at all there is. Raises ValueError when out of range."""

    family_size: int
    limit: float = 0.10
    alpha: float = 0.05
    looks: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.family_size < 1:
            raise ValueError(f"a gate has at least 1 case, not {self.family_size}")
        if not 0 < self.limit < 1 or not 0 < self.alpha < 1:
            raise ValueError(f"limit and alpha are shares between 0 and 1, not {self.limit} and {self.alpha}")
        if list(self.looks) != sorted(set(self.looks)) or any(look < MIN_TURNS for look in self.looks):
            raise ValueError(f"looks are rising numbers of turns from {MIN_TURNS} on, not {self.looks}")


@dataclass(frozen=True, slots=True)
class GateCase:
    """One case with the old firmware and with the new one. ceiling_mbps: wired ceiling, None when not known."""

    label: str
    old: CaseTurns
    new: CaseTurns
    ceiling_mbps: float | None = None


@dataclass(frozen=True, slots=True)
class GateCaseResult:
    """ratio: new over old with its plain 95 % interval, None below 3 valid turns. p_worse: of "not worse than the
    limit" (None where it may not be asked), p_worse_adjusted: with weight and Holm. p_fails_more: one-sided Boschloo.
    ceiling_bound: the wire may hide a change for the worse: say so."""

    label: str
    ratio: RatioInterval | None
    old: CaseEstimate | None
    new: CaseEstimate | None
    p_worse: float | None
    p_worse_adjusted: float
    p_fails_more: float
    flagged: int
    failed_old: int
    failed_new: int
    invalid_old: int
    invalid_new: int
    ceiling_bound: bool


@dataclass(frozen=True, slots=True)
class GateResult:
    """answer, reason: see above; sentence: the reason in words; cases_named: labels of the cases it is about.
    mean: new over old, the mean of all planned cases with its 90 % interval, None unless all have 3 valid turns.
    p_pass: of "the mean is worse than the limit". worst: label of the case with the lowest ratio. turns: per firmware
    at the look it stopped at (None: all there are); stopped: no further turn is wanted."""

    answer: GateAnswer
    reason: GateReason
    sentence: str
    cases_named: tuple[str, ...]
    mean: RatioInterval | None
    p_pass: float | None
    worst: str | None
    worst_ratio: float | None
    cases: tuple[GateCaseResult, ...]
    limit: float
    alpha: float
    turns: int | None
    weight: float
    stopped: bool
