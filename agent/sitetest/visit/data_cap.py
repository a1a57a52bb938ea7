"""The data cap over a run's internet legs, kept: no slot begins that would go beyond it, and that is said.

May import plan, visit, sitetest_wire and the standard library only.
"""

from collections.abc import Callable

from sitetest.plan.cases import Leg, Slot
from sitetest.visit import data_budget
from sitetest.visit.agenda import Agenda
from sitetest_wire.units import BYTES_PER_GIGABYTE


class InternetDataCap:
    """Holds the slots of an agenda against the cap of its plan. note: keeps and tells that the cap was reached."""

    def __init__(self, agenda: Agenda, note: Callable[[str, str], None]) -> None:
        self._agenda = agenda
        self._plan = agenda.plan
        self._note = note

    def max_bytes(self, slot: Slot) -> int | None:
        """What a slot may move; None: no cap."""
        cap = self._plan.internet_data_bytes
        return None if cap is None or slot.case.leg is not Leg.INTERNET else self._left_bytes(cap)

    def allows(self, slot: Slot) -> bool:
        """Tell whether a slot may move its bytes. When an internet slot may not, all that are open are settled as not
        run, and that is said and kept."""
        cap = self._plan.internet_data_bytes
        if cap is None or slot.case.leg is not Leg.INTERNET:
            return True
        left = self._left_bytes(cap)
        total_s = self._plan.timing.warm_up_s + self._plan.timing.duration_s
        needed = data_budget.predicted_bytes(self._agenda.attempts, slot.case, total_s)
        if left > 0 and (needed is None or needed <= left):
            return True
        ended = [other for turn in self._agenda.open_turns() for other in turn.slots if other.case.leg is Leg.INTERNET]
        self._agenda.not_run.update(other.key for other in ended)
        needs = (
            "" if needed is None else f", and the next transfer would move about {needed / BYTES_PER_GIGABYTE:.3f} GB"
        )
        text = (
            f"Of the data cap of {cap / BYTES_PER_GIGABYTE:g} GB over the internet legs "
            f"{left / BYTES_PER_GIGABYTE:.3f} GB are left{needs}. Internet measurements not run: {len(ended)}. "
            "To run them, raise internet_data_gb under [limits] in the profile and begin a new visit."
        )
        self._note("data_cap", text)
        return False

    def _left_bytes(self, cap: int) -> int:
        return data_budget.left_bytes(cap, self._agenda.attempts)
