"""What happens during a soak, for whoever shows or serves it: board, status file, metrics. As `visit/events.py`, whose
events a soak publishes too where they fit (SwitchStarted, TurnStarted, ServerQueue, TransferStarted, Progressed,
LinkSeen, Noted).

May import plan, store, observe.watch.seen, visit.events and the standard library only.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sitetest.observe.watch.seen import WatchSecond
from sitetest.plan.cases import Slot
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.records import AttemptRecord
from sitetest.store.soak_events import SoakEvent
from sitetest.visit import events as visit_events


@dataclass(frozen=True, slots=True)
class SoakStarted:
    """resumed: rounds that earlier parts have begun. until: when it ends; None where rounds are counted."""

    visit_id: str
    plan: SoakPlan
    resumed: int
    until: datetime | None
    simulated: str | None = None


@dataclass(frozen=True, slots=True)
class RoundStarted:
    """number: 1 for the first of the soak. turn: that it belongs to."""

    number: int
    turn: int
    ap_config: str


@dataclass(frozen=True, slots=True)
class SlotStarted:
    """A transfer of a round begins."""

    slot: Slot


@dataclass(frozen=True, slots=True)
class SlotStored:
    """A test is in the store, safely."""

    slot: Slot
    record: AttemptRecord


@dataclass(frozen=True, slots=True)
class Resting:
    """Nothing to do until the next round, ``for_s`` from now."""

    for_s: float


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that the store has kept as an event."""

    at: datetime
    event: SoakEvent


@dataclass(frozen=True, slots=True)
class SecondSeen:
    """A second of the watch. up: the path answers; None: nobody to ask."""

    second: WatchSecond
    up: bool | None


@dataclass(frozen=True, slots=True)
class SoakEnded:
    """outcome: ``complete`` (the wanted time is over), ``interrupted``, ``store_full`` (its end is not on disk, so that
    it may be resumed). rounds, tests: of this part."""

    visit_id: str
    outcome: str
    rounds: int
    tests: int


SoakHappening = (
    visit_events.SwitchStarted
    | visit_events.TurnStarted
    | visit_events.ServerQueue
    | visit_events.TransferStarted
    | visit_events.Progressed
    | visit_events.LinkSeen
    | visit_events.Noted
    | SoakStarted
    | RoundStarted
    | SlotStarted
    | SlotStored
    | Resting
    | Happened
    | SecondSeen
    | SoakEnded
)

SoakSubscriber = Callable[[SoakHappening], None]
