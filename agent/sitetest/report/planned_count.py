"""How many measurements and turns a plan has, in words. Pure. May import plan.cases, report.wording only."""

from sitetest.plan.cases import Plan
from sitetest.report.wording import count_text


def planned_count_text(plan: Plan) -> str:
    """Return how many measurements a plan has: ``16 to 40 measurements`` where a decision may save some."""
    least, most = _first_and_last(plan)
    return _from_to(len(least.slots), len(most.slots), "measurement")


def planned_turns_text(plan: Plan) -> str:
    """Return how many turns a plan has, likewise."""
    least, most = _first_and_last(plan)
    return _from_to(len(least.turns), len(most.turns), "turn")


def _first_and_last(plan: Plan) -> tuple[Plan, Plan]:
    most = plan.first(plan.maximum_turns)
    if plan.comparison is None or not plan.comparison.rules.looks:
        return most, most
    return plan.first(plan.comparison.rules.looks[0]), most


def _from_to(least: int, most: int, word: str) -> str:
    return count_text(most, word) if least == most else f"{least} to {most} {word}s"
