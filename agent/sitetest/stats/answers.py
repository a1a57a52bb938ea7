"""The words of a verdict and the records that carry it, with everything that must stand next to it.

May import sitetest.stats.
"""

from dataclasses import dataclass
from enum import StrEnum

from sitetest.stats.case_estimate import CaseEstimate
from sitetest.stats.looks import Stop
from sitetest.stats.more_turns import MoreTurns
from sitetest.stats.student_t import RatioInterval
from sitetest.stats.turns import CaseTurns

STANDING_SENTENCE = "holds for this placement of the laptop and this hour; another place or day is another campaign"


class Verdict(StrEnum):
    """What may be said. B is the configuration compared with the reference A."""

    A_FASTER = "a_faster"
    B_FASTER = "b_faster"
    NO_PRACTICAL_DIFFERENCE = "no_practical_difference"
    NOT_ENOUGH_EVIDENCE = "not_enough_evidence"


class Reason(StrEnum):
    """Why the verdict is what it is."""

    FEW_TURNS = "fewer_than_three_turns"
    INVALID = "invalid_attempts"
    LOOK_NOT_REACHED = "look_not_reached"
    EXTRA_QUAD_OWED = "extra_quad_owed"
    DIFFERENCE_SHOWN = "difference_shown"
    EQUIVALENCE_SHOWN = "equivalence_shown"
    FAILED_TURNS = "failed_turns"
    WIRED_CEILING = "wired_ceiling"
    SPREAD = "spread_too_large"


REASONS = {
    Reason.FEW_TURNS: "fewer than 3 valid turns in A or B: the values are shown, nothing follows from them",
    Reason.INVALID: "too many, or too unequal, invalid attempts: what they would have shown is not known",
    Reason.LOOK_NOT_REACHED: "the first look of the plan is not reached yet: more complete quads are needed",
    Reason.EXTRA_QUAD_OWED: "a turn is flagged as an outlier: one more quad is to be measured before the last look",
    Reason.DIFFERENCE_SHOWN: "the difference is larger than chance explains",
    Reason.EQUIVALENCE_SHOWN: "the difference is shown to be smaller than the margin",
    Reason.FAILED_TURNS: "failed turns forbid what the valid ones alone would say",
    Reason.WIRED_CEILING: "at the wired ceiling the air cannot be told apart, so equality cannot be shown",
    Reason.SPREAD: "the spread between turns leaves both a difference and equality possible",
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """One planned comparison. label: what tells it from the others, such as "basement download". a: the reference.
    ceiling_mbps: wired ceiling, None when not known."""

    label: str
    a: CaseTurns
    b: CaseTurns
    ceiling_mbps: float | None = None


@dataclass(frozen=True, slots=True)
class FlaggedTurn:
    """A turn that the outlier rule flagged. low: below the median (a dip). clipped: moved to the limit for the test."""

    turn: int
    value_mbps: float
    low: bool
    clipped: bool


@dataclass(frozen=True, slots=True)
class SideFacts:
    """What stands next to a verdict for one configuration.

    estimate: after clipping, None below 3 valid turns. cv: of the valid turns as measured, a share,
    None below 2. valid, turns, failed: turns that entered; attempts, invalid: over everything.
    """

    estimate: CaseEstimate | None
    cv: float | None
    valid: int
    turns: int
    failed: int
    attempts: int
    invalid: int
    invalid_reasons: tuple[tuple[str, int], ...]
    flagged: tuple[FlaggedTurn, ...]
    ceiling_bound: bool

    @property
    def dips(self) -> int:
        """Flagged turns below the median."""
        return sum(turn.low for turn in self.flagged)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Failed turns of A and B compared (Boschloo), held over all planned comparisons on its own.

    more_reliable: "a" or "b" when shown, else None.
    """

    failed_a: int
    turns_a: int
    failed_b: int
    turns_b: int
    p: float
    p_adjusted: float
    more_reliable: str | None


@dataclass(frozen=True, slots=True)
class PairVerdict:
    """The verdict of one comparison with all that must stand next to it.

    interval: plain 95 % interval of B over A, None below 3 valid turns and under the invalid guard.
    campaign_interval: the one that agrees with the verdict. p_difference, p_equivalence: of the look it stopped at, as
    tested. All three are None when no look counts. adjusted_*: divided by the weight of the look and held over the
    family, 1 where blocked. unclipped: plain interval without the outlier rule, None when that moved nothing.
    verdict_without_clip: what would be said without it in the whole campaign. probable_ratio: B over A when "no
    practical difference" also has a difference shown, smaller than the margin. at_least: the faster one is held back by
    the wire. look, look_turns, weight, stop: see ``looks.Progress``. more_turns: only for "not enough evidence", None
    when no number of turns would help.
    """

    label: str
    verdict: Verdict
    reason: Reason
    sentence: str
    interval: RatioInterval | None
    campaign_interval: RatioInterval | None
    p_difference: float | None
    p_equivalence: float | None
    adjusted_difference: float
    adjusted_equivalence: float
    difference_blocked: Reason | None
    equivalence_blocked: Reason | None
    a: SideFacts
    b: SideFacts
    reliability: Reliability | None
    unclipped: RatioInterval | None
    verdict_without_clip: Verdict
    probable_ratio: float | None
    at_least: bool
    look: int
    look_turns: int | None
    weight: float
    stop: Stop | None
    more_turns: MoreTurns | None
