"""Short names of cases: only what differs within a visit is said, so that a line fits a narrow screen.

May import plan.cases, store.records, sitetest_wire and the standard library only.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, Self


class CaseWords(Protocol):
    """Whatever names a case: a planned case or a kept attempt."""

    @property
    def ap_config(self) -> str: ...
    @property
    def direction(self) -> str: ...
    @property
    def leg(self) -> str: ...
    @property
    def engine(self) -> str: ...


@dataclass(frozen=True, slots=True)
class CaseLabel:
    """How to name the cases of one visit. legs, engines: whether there is more than one of them to tell apart."""

    legs: bool = True
    engines: bool = True

    @classmethod
    def telling_apart(cls, cases: Iterable[CaseWords]) -> Self:
        """Return the shortest label that still tells these cases apart."""
        known = list(cases)
        return cls(
            legs=len({case.leg for case in known}) > 1,
            engines=len({case.engine for case in known}) > 1,
        )

    def of(self, case: CaseWords) -> str:
        """Return the name of one case, AP config first. Not yet safe to show: see ``printable``."""
        return " ".join([str(case.ap_config), *self.without_ap_config(case)])

    def without_ap_config(self, case: CaseWords) -> list[str]:
        """Return direction, and leg and engine where they differ."""
        words = [str(case.direction)]
        if self.legs:
            words.append(str(case.leg))
        if self.engines:
            words.append(str(case.engine))
        return words
