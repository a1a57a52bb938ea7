"""What the tests of a soak may still move: over all legs, and over the internet leg.

What the next transfer will move is taken from the last ones of its leg and direction; before one of those was valid
nothing is known, and the cap alone rules. Pure. May import plan, store.records, sitetest_wire and the standard library
only.
"""

from collections import deque
from statistics import median

from sitetest.plan.cases import Case, Leg
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.records import AttemptRecord, Status
from sitetest_wire.units import BYTES_PER_GIGABYTE

_TYPICAL_OF = 21
"""Last transfers whose median is what the next one is taken to move."""


class DataLimits:
    """Counts payload as the receivers saw it. moved_bytes, internet_moved_bytes: by earlier parts of the soak."""

    def __init__(self, plan: SoakPlan, moved_bytes: int = 0, internet_moved_bytes: int = 0) -> None:
        self._plan = plan
        self._moved = {None: moved_bytes, Leg.INTERNET: internet_moved_bytes}
        self._seen: dict[tuple[str, str], deque[int]] = {}

    def add(self, record: AttemptRecord) -> None:
        """Take in an attempt that is over."""
        self._moved[None] += record.moved_bytes
        if record.leg == Leg.INTERNET:
            self._moved[Leg.INTERNET] += record.moved_bytes
        if record.status is Status.OK:
            seen = self._seen.setdefault((record.leg, record.direction), deque(maxlen=_TYPICAL_OF))
            seen.append(record.moved_bytes)

    def max_bytes(self, case: Case) -> int | None:
        """What a transfer of a case may move; None: no cap."""
        return min((left for _, left in self._caps(case)), default=None)

    def refused(self, case: Case) -> str | None:
        """Say why a transfer of a case may not begin; None when it may."""
        seen = self._seen.get((case.leg.value, case.direction.value))
        needed = None if seen is None else round(median(seen))
        for what, left in self._caps(case):
            if left <= 0 or (needed is not None and needed > left):
                next_one = "" if needed is None else f", and the next transfer would move about {_gb(needed)}"
                return f"Of the {what} {_gb(left)} are left{next_one}."
        return None

    def _caps(self, case: Case) -> list[tuple[str, int]]:
        plan = self._plan
        caps = []
        if plan.data_bytes is not None:
            caps.append((f"data cap of {_gb(plan.data_bytes)}", max(0, plan.data_bytes - self._moved[None])))
        if plan.internet_data_bytes is not None and case.leg is Leg.INTERNET:
            left = max(0, plan.internet_data_bytes - self._moved[Leg.INTERNET])
            caps.append((f"data cap of {_gb(plan.internet_data_bytes)} over the internet leg", left))
        return caps


def _gb(count: int) -> str:
    return f"{count / BYTES_PER_GIGABYTE:.3f} GB"
