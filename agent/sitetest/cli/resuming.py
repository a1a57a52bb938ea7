"""Going on with a visit that was begun before: with its own plan, over the kind of link that it began on.

May import store.records, errors and the standard library only.
"""

from collections.abc import Mapping

from sitetest.errors import UsageError
from sitetest.store.records import VisitRecord


def refuse_other_plan(given: Mapping[str, object], what: str = "visit") -> None:
    """Refuse options that would change the plan. given: option -> what was said; None, False or empty for not. what:
    goes on, for the message. Raises UsageError for the first that was given."""
    for option, value in given.items():
        if value is not None and value is not False and value != ():
            raise UsageError(
                f"{option} cannot be given together with --resume: the {what} goes on with the plan it began with.",
                f"Leave {option} out, or begin a new {what} without --resume.",
            )


def refuse_other_kind_of_link(visit: VisitRecord, simulated: str | None) -> None:
    """Every row of a visit says whether its link was simulated: what answers now must be of the same kind.

    simulated: what the servers say that they simulate; None when all are real. Raises UsageError.
    """
    if (visit.simulated is None) != (simulated is None):
        was, now = ("real", "simulated") if visit.simulated is None else ("simulated", "real")
        raise UsageError(
            f"The visit began on a {was} link, and the server that answers now has a {now} one.",
            "Name the server that it began with, or begin a new visit without --resume.",
        )
