"""One comparison up to the look it stopped at, and what stands in the way of a verdict.

    fewer than 3 valid turns, the invalid guard, no look reached, an extra quad owed: nothing may be said
    wired ceiling, failed turns: equivalence may not be said
    a configuration that keeps failing: may not be called faster

May import sitetest.stats.
"""

from dataclasses import dataclass

from sitetest.stats.answers import Comparison, Reason
from sitetest.stats.guards import ceiling_bound, failing, invalid_guard
from sitetest.stats.looks import Progress, replay
from sitetest.stats.pair import PairTest, compare_logs
from sitetest.stats.rules import MIN_TURNS, ComparisonRules
from sitetest.stats.student_t import LogRatio
from sitetest.stats.turns import CaseTurns


@dataclass(frozen=True, slots=True)
class Evidence:
    """One comparison up to the look it stopped at, before the family is held.

    a, b: the turns up to that look. test: what is shown of them, None when there is nothing to show. stopper: why
    nothing may be said, whatever the test gives.
    """

    comparison: Comparison
    progress: Progress
    a: CaseTurns
    b: CaseTurns
    test: PairTest | None
    stopper: Reason | None
    a_ceiling: bool
    b_ceiling: bool
    a_failing: bool
    b_failing: bool

    def ratio(self, *, clipped: bool = True) -> LogRatio | None:
        """The estimate with or without the outlier rule."""
        if self.test is None:
            return None
        return self.test.ratio if clipped else self.test.raw

    @property
    def equality_closed(self) -> Reason | None:
        """Why more turns would not help to show equality: failed turns, or the wire in front of the air."""
        if self.a_failing or self.b_failing:
            return Reason.FAILED_TURNS
        return Reason.WIRED_CEILING if self.a_ceiling or self.b_ceiling else None

    def difference_closed(self, ratio: LogRatio) -> Reason | None:
        """Why more turns would not help to show this difference: the one that would be called faster keeps failing."""
        winner_fails = self.b_failing if ratio.estimate > 0 else self.a_failing
        return Reason.FAILED_TURNS if winner_fails else None

    @property
    def equivalence_blocked(self) -> Reason | None:
        """Why equality may not be said."""
        return self.stopper or self.equality_closed

    def difference_blocked(self, ratio: LogRatio | None) -> Reason | None:
        """Why a difference may not be said."""
        if self.stopper is not None or ratio is None:
            return self.stopper
        return self.difference_closed(ratio)


def gather(comparison: Comparison, rules: ComparisonRules) -> Evidence:
    """Replay the looks of one comparison and collect what stands in the way of a verdict."""
    progress = replay(comparison.a, comparison.b, rules)
    a, b = comparison.a, comparison.b
    if progress.turns:
        a, b = a.first(progress.turns), b.first(progress.turns)
    test = progress.test
    stopper: Reason | None = None
    if min(len(a.logs), len(b.logs)) < MIN_TURNS:
        stopper = Reason.FEW_TURNS
    elif invalid_guard(comparison.a, comparison.b):
        stopper, test = Reason.INVALID, None
    elif test is None:
        stopper = Reason.EXTRA_QUAD_OWED if progress.extra_quad else Reason.LOOK_NOT_REACHED
        test = compare_logs(a.logs, b.logs, rules.margin)
    ceiling = comparison.ceiling_mbps
    return Evidence(
        comparison, progress, a, b, test, stopper,
        ceiling_bound(a, ceiling), ceiling_bound(b, ceiling), failing(a), failing(b),
    )  # fmt: skip
