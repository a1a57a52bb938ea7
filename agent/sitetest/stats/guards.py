"""What must not be overlooked beside the throughput: invalid attempts, failed turns, a wire that hides the air.

May import sitetest.stats.
"""

from math import log

from sitetest.stats.rates import p_counts_differ
from sitetest.stats.sequences import reaching
from sitetest.stats.turns import CaseTurns

MAX_INVALID_SHARE = 0.25
MAX_FAILED_SHARE = 0.10
CEILING_SHARE = 0.95
CEILING_TURNS_SHARE = 0.25
_ROUNDING = 1e-9  # a value that equals the bound but for rounding reaches it, whatever the unit
_INVALID_ALPHA = 0.05


def too_many_invalid(case: CaseTurns) -> bool:
    """Return whether more than a quarter of the attempts of a case did not measure it."""
    return case.invalid > MAX_INVALID_SHARE * case.attempts


def invalid_guard(a: CaseTurns, b: CaseTurns) -> bool:
    """Return whether invalid attempts are too many in one case, or too unequal between the two (Boschloo, 5 %).

    What the invalid attempts would have shown is unknown; when they are not rare and alike, the rest is a selection.
    """
    return (
        too_many_invalid(a)
        or too_many_invalid(b)
        or p_counts_differ(a.invalid, a.attempts, b.invalid, b.attempts) <= _INVALID_ALPHA
    )


def failing(case: CaseTurns) -> bool:
    """Return whether more than one turn failed, and more than a tenth of what was tried: such a case is never called
    faster. Turns weigh alike, whatever the number of their attempts; with one attempt each it is a tenth of the turns.
    """
    return case.failed > 1 and case.failed_whole > MAX_FAILED_SHARE * len(case.turns) + _ROUNDING


def ceiling_bound(case: CaseTurns, ceiling_mbps: float | None) -> bool:
    """Return whether at least a quarter of the valid turns reach 95 % of the wired ceiling (Mbit/s; None: unknown)."""
    logs = case.logs
    if ceiling_mbps is None or not logs:
        return False
    bound = log(CEILING_SHARE * ceiling_mbps) - _ROUNDING
    return reaching(logs, bound) >= CEILING_TURNS_SHARE * len(logs)
