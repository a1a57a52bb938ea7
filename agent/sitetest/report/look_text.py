"""What a look at the comparisons says, one line a comparison, while the visit goes on.

Pure. May import plan.cases, stats, report and the standard library only.
"""

from sitetest.plan.cases import Case
from sitetest.report.case_label import CaseLabel
from sitetest.report.wording import count_text
from sitetest.stats.answers import PairVerdict, Reason, Verdict
from sitetest.stats.looks import Stop
from sitetest.stats.more_turns import MOST_TURNS


def standing_line(label: CaseLabel, a: Case, b: Case, said: PairVerdict, next_turns: int | None) -> str:
    """Say where one comparison stands. a: the reference. next_turns: turns of each at the next look, None when it has
    stopped."""
    words = " ".join([*label.without_ap_config(b), f"{b.ap_config} against {a.ap_config}:"])
    if said.stop is None:
        return f"{words} open, {_so_far(said)}{_next(said, next_turns)}{_would_take(said)}"
    match said.verdict:
        case Verdict.A_FASTER | Verdict.B_FASTER:
            name = a.ap_config if said.verdict is Verdict.A_FASTER else b.ap_config
            outcome = f"{name} faster" + (", at least" if said.at_least else "")
        case Verdict.NO_PRACTICAL_DIFFERENCE:
            outcome = "no practical difference"
        case Verdict.NOT_ENOUGH_EVIDENCE:
            outcome = "not enough evidence"
    return f"{words} {outcome}{_difference(said)} {_ended(said)}{_would_take(said)}"


def _so_far(said: PairVerdict) -> str:
    if said.look_turns in (None, 0):
        return "no look yet"
    return f"{count_text(said.look_turns or 0, 'turn')} of each{_difference(said)}"


def _difference(said: PairVerdict) -> str:
    if said.interval is None:
        return ""
    low, high = (100 * (bound - 1) for bound in (said.interval.low, said.interval.high))
    return f" ({100 * (said.interval.ratio - 1):+.1f} %, 95 % interval {low:+.1f} to {high:+.1f} %)"


def _next(said: PairVerdict, next_turns: int | None) -> str:
    if next_turns is None:
        return ""
    why = "; an outlier earns one more quad" if said.reason is Reason.EXTRA_QUAD_OWED else ""
    return f"; next look at {next_turns}{why}"


def _ended(said: PairVerdict) -> str:
    turns = count_text(said.look_turns or 0, "turn")
    match said.stop:
        case Stop.GAVE_UP:
            return f"after {turns} of each: given up, no verdict is within reach of this plan"
        case Stop.CAP:
            return f"after {turns} of each, the most that this plan has"
        case _:
            return f"after {turns} of each: not measured any more"


def _would_take(said: PairVerdict) -> str:
    more = said.more_turns
    if more is None:
        return ""
    if more.turns is None:
        return f"; to settle it: more than {MOST_TURNS}, not practical at this spread"
    return f"; to settle it: about {more.turns} of each"
