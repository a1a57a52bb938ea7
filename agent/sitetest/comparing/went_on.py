"""Turns that only went on: no fresh association began them, so they are the same turn as the one before.

The rule is `stats/sides.py`'s. May import stats.sides, store.records and the standard library only.
"""

from collections.abc import Iterable

from sitetest.stats.sides import NO_ASSOCIATION, TurnHead, whole_turns
from sitetest.store.records import TurnRecord


def whole_turn_numbers(turns: Iterable[TurnRecord]) -> dict[int, int]:
    """Return, for each turn number of one visit, the number of the turn that it belongs to.

    turns: in the order in which they began; a turn that was resumed comes again and is what it was at first.
    """
    first: dict[int, TurnRecord] = {}
    for turn in turns:
        first.setdefault(turn.turn, turn)
    heads = (TurnHead("", one.turn, one.ap_config, one.association != NO_ASSOCIATION) for one in first.values())
    return {number: whole for (_, number), whole in whole_turns(heads).items()}
