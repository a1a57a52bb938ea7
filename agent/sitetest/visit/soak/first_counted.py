"""The first counted attempts of a soak, which later ones are held against: as many as there are cases, however long it
takes. May import plan, store.records, store.tidy, visit.retry, visit.scene and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import replace

from sitetest.plan.cases import Case
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import is_counted
from sitetest.visit.retry import case_of
from sitetest.visit.scene import Earlier


class FirstCounted:
    """As :meth:`sitetest.visit.scene.Earlier.of`, without the history. earlier: of the parts before, oldest first."""

    def __init__(self, earlier: Sequence[AttemptRecord] = ()) -> None:
        self._of_case: dict[Case, AttemptRecord] = {}
        self._of_ap_config: dict[tuple[str, str], AttemptRecord] = {}
        for record in earlier:
            self.add(record)

    def add(self, record: AttemptRecord) -> None:
        """Take in an attempt that is over."""
        if is_counted(record) and case_of(record) not in self._of_case:
            lean = replace(record, seconds=(), raw=None, observations=())
            self._of_case[case_of(record)] = lean
            self._of_ap_config.setdefault((record.ap_config, record.leg), lean)

    def before(self, case: Case) -> Earlier:
        """Return what the next attempt of a case is held against."""
        return Earlier(self._of_ap_config.get((case.ap_config, case.leg.value)), self._of_case.get(case))
