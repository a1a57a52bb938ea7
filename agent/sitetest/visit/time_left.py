"""How long the rest of a visit will take: from what its parts really took so far, and until then from the estimate
that `sitetest plan` shows. Pure.

May import plan, visit.agenda, visit.retry, store.records and the standard library only.
"""

from collections.abc import Sequence
from statistics import fmean

from sitetest.plan.cases import Case, Plan, Turn
from sitetest.plan.estimate import attempt_s, turn_starts_s
from sitetest.store.records import AttemptRecord, Status
from sitetest.visit.agenda import Agenda
from sitetest.visit.retry import case_of


def left_s(agenda: Agenda, turn_walls_s: Sequence[float], *, simulated: bool = False) -> float:
    """Return the seconds for everything that is open now.

    turn_walls_s: what beginning a turn took so far. simulated: AP configs switch at once.
    """
    turns = agenda.open_turns()
    walls_s = {case: _attempt_s(agenda.plan, case, agenda.attempts) for case in agenda.plan.cases}
    starting_s = 0.0 if simulated else _starting_s(turns, turn_walls_s)
    return starting_s + sum(walls_s[slot.case] for turn in turns for slot in turn.slots)


def _starting_s(turns: Sequence[Turn], turn_walls_s: Sequence[float]) -> float:
    return fmean(turn_walls_s) * len(turns) if turn_walls_s else sum(turn_starts_s(turns))


def _attempt_s(plan: Plan, case: Case, attempts: Sequence[AttemptRecord]) -> float:
    """Valid attempts alone: a failed one ends early, and would promise too much."""
    valid = [record for record in attempts if record.status is Status.OK]
    same = [record.wall_s for record in valid if case_of(record) == case] or [record.wall_s for record in valid]
    return fmean(same) if same else attempt_s(plan.timing, case.engine)
