"""All that the flags of one attempt may rest on, and the views of it that they share.

Pure. May import engines, observe, plan.cases, store.records, store.tidy, visit.expected_radio, sitetest_wire and the
standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from ipaddress import ip_address
from itertools import pairwise
from math import inf

from sitetest.engines.base import TransferResult
from sitetest.engines.window import Window
from sitetest.observe.host import HostSample
from sitetest.observe.interface import InterfaceKind
from sitetest.observe.link.events import LinkEvent, LinkEventKind
from sitetest.observe.link.record import LinkSample, SourceKind
from sitetest.observe.observed import NOTHING, Observed
from sitetest.plan.cases import Case
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import is_counted
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.flag_table import Severity


@dataclass(frozen=True, slots=True)
class Seen:
    """A row of the table applies. what: what was seen, in words. severity: None for the row's usual one."""

    what: str
    severity: Severity | None = None


class Word(Enum):
    """``UNKNOWN``: this system, or this attempt, gives no way of telling."""

    UNKNOWN = "unknown"


UNKNOWN = Word.UNKNOWN

Finding = Seen | Word | None
"""What a row finds: it applies, nobody can tell, or it does not apply (None)."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """What attempts are held against: the first counted ones of the visit so far.

    ap_config: the first with the same AP config and leg. case: the first of the same case. None: there is none yet.
    """

    ap_config: AttemptRecord | None = None
    case: AttemptRecord | None = None

    @classmethod
    def of(cls, history: Sequence[AttemptRecord], case: Case) -> "Earlier":
        """Look them up. history: the attempts of the visit so far, oldest first."""
        alike = [
            record
            for record in history
            if is_counted(record) and (record.ap_config, record.leg) == (case.ap_config, case.leg.value)
        ]
        same = [
            record for record in alike if (record.engine, record.direction) == (case.engine.value, case.direction.value)
        ]
        return cls(next(iter(alike), None), next(iter(same), None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One attempt with everything beside it.

    window: the measuring window on the agent's monotonic clock; None when it never came to one, or cannot be placed.
    expected: what the site declares for the AP config; None: nothing. accepted: what the person was told about the
    radio at the begin of the turn, and went on with all the same; None: nothing. wifi_expected: the visit began over
    Wi-Fi. wire_mbps: goodput of the site's wired baseline in this direction; None when it has none.
    """

    result: TransferResult
    observed: Observed = NOTHING
    window: Window | None = None
    expected: ExpectedRadio | None = None
    accepted: str | None = None
    earlier: Earlier = Earlier()
    wifi_expected: bool = False
    wire_mbps: float | None = None

    # --- where ---

    @property
    def over_air(self) -> bool | None:
        """Whether the payload went over Wi-Fi; None where that is not known (a bridge may hold anything).

        A radio that is played or recorded stands for the link whatever carries the payload.
        """
        if any(sample.associated and sample.source.kind is not SourceKind.LIVE for sample in self._all_samples):
            return True
        kind = None if self.observed.interface is None else self.observed.interface.kind
        if kind is InterfaceKind.WIFI:
            return True
        if kind is InterfaceKind.ETHERNET or self.stays_here:
            return False
        return True if any(sample.associated for sample in self._all_samples) else None

    @property
    def stays_here(self) -> bool:
        """Whether both ends are this computer: its loopback counts every byte twice and is no wire."""
        local, remote = _address(self.result.local_address), _address(self.result.remote_address)
        return bool((local and local == remote) or any(one and ip_address(one).is_loopback for one in (local, remote)))

    # --- when ---

    @property
    def span(self) -> tuple[float, float]:
        """The load, warm-up included; the window where the load's times are not known; everything without either."""
        seen = self.observed
        if seen.load_from_s is not None:
            return seen.load_from_s, inf if seen.load_until_s is None else seen.load_until_s
        return self.window_or_span

    @property
    def window_or_span(self) -> tuple[float, float]:
        """The window; the load where there is none."""
        if self.window is not None:
            return self.window.start_s, self.window.end_s
        seen = self.observed
        if seen.load_from_s is None:
            return -inf, inf
        return seen.load_from_s, inf if seen.load_until_s is None else seen.load_until_s

    # --- the link ---

    @property
    def _all_samples(self) -> tuple[LinkSample, ...]:
        return () if self.observed.link is None else self.observed.link.samples

    @property
    def samples(self) -> tuple[LinkSample, ...]:
        """Link samples taken during the load, with a link."""
        return tuple(sample for sample in self.all_in_span if sample.associated)

    @property
    def all_in_span(self) -> tuple[LinkSample, ...]:
        """Link samples taken during the load, with a link or without."""
        return tuple(sample for sample in self._all_samples if _inside(sample.at_s, self.span))

    @property
    def seconds(self) -> tuple[LinkSample, ...]:
        """Link samples taken inside the window, with a link."""
        return tuple(sample for sample in self.samples if _inside(sample.at_s, self.window_or_span))

    @property
    def steps(self) -> tuple[tuple[LinkSample, LinkSample], ...]:
        """Neighbouring samples of the load, with a link."""
        return tuple(pairwise(self.samples))

    @property
    def events(self) -> tuple[LinkEvent, ...]:
        """What the system told of the link during the load."""
        log = self.observed.link
        return () if log is None else tuple(event for event in log.events if _inside(event.at_s, self.span))

    def told(self, *kinds: LinkEventKind) -> tuple[LinkEvent, ...]:
        """Return the events of some kinds."""
        return tuple(event for event in self.events if event.kind in kinds)

    @property
    def events_complete(self) -> bool:
        """Whether an event that is not there did not happen."""
        log = self.observed.link
        lost = LinkEventKind.EVENTS_LOST
        return log is not None and log.events_available and all(event.kind is not lost for event in log.events)

    # --- the computers ---

    @property
    def host(self) -> tuple[HostSample, ...]:
        """Host samples that cover some of the load."""
        start_s, end_s = self.span
        return tuple(one for one in self.observed.host if one.at_s > start_s and one.at_s - one.length_s < end_s)

    @property
    def host_in_window(self) -> tuple[HostSample, ...]:
        """Host samples that lie wholly inside the window."""
        start_s, end_s = self.window_or_span
        return tuple(
            one
            for one in self.observed.host
            if one.length_s > 0 and one.at_s - one.length_s >= start_s and one.at_s <= end_s
        )


def _inside(at_s: float, stretch: tuple[float, float]) -> bool:
    return stretch[0] <= at_s <= stretch[1]


def _address(told: str | None) -> str | None:
    """The address without its zone; None for what is none."""
    try:
        return None if told is None else str(ip_address(told.partition("%")[0]))
    except ValueError:
        return None
