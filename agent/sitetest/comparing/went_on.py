"""Turns that only went on: no fresh association began them, so they are the same turn as the one before.

`case_turns.py` has the same rule for tables. May import comparing.case_turns and store.records.
"""

from collections.abc import Iterable

from sitetest.comparing.case_turns import NO_ASSOCIATION
from sitetest.store.records import TurnRecord


def whole_turn_numbers(turns: Iterable[TurnRecord]) -> dict[int, int]:
    """Return, for each turn number of one visit, the number of the turn that it belongs to.

    turns: in the order in which they began; a turn that was resumed comes again and is what it was at first.
    """
    whole: dict[int, int] = {}
    before: TurnRecord | None = None
    for turn in turns:
        if turn.turn in whole:
            continue
        goes_on = before is not None and turn.association == NO_ASSOCIATION and turn.ap_config == before.ap_config
        whole[turn.turn] = whole[before.turn] if goes_on and before is not None else turn.turn
        before = turn
    return whole
