"""What happens during a visit, as it happens. Whoever shows progress subscribes; nothing prints from inside.

Events are frozen and carry whole facts, so that a subscriber needs no state of the conductor. A subscriber is called
from the event loop, must return at once, and cannot stop the visit by failing.

May import plan, store.records, visit.stopping (facts), observe.link, sitetest_wire and the standard library only.
"""

from collections.abc import Callable
from dataclasses import dataclass

from sitetest.observe.link.record import LinkSample
from sitetest.plan.cases import Plan, Slot, Turn
from sitetest.store.records import AttemptRecord, Flag, Purpose
from sitetest.visit.stopping import Standing
from sitetest_wire.samples import Sample


@dataclass(frozen=True, slots=True)
class VisitStarted:
    """resumed: slots that an earlier part of the same visit has settled. left_s: estimate of the time still needed.
    simulated: what the server said it simulates."""

    visit_id: str
    plan: Plan
    resumed: int
    left_s: float
    simulated: str | None = None


@dataclass(frozen=True, slots=True)
class SwitchStarted:
    """The AP config of the next turn is being applied. by: ``command`` or ``operator``."""

    turn: Turn
    by: str


@dataclass(frozen=True, slots=True)
class TurnStarted:
    """association: how the fresh association came about. back_s: seconds until the server answered again."""

    turn: Turn
    association: str
    back_s: float | None


@dataclass(frozen=True, slots=True)
class AttemptStarted:
    """attempt: 1 for the first try. done, total: slots settled before this one, and slots wanted in all.
    left_s: estimate of the time still needed, this attempt included."""

    slot: Slot
    attempt: int
    purpose: Purpose
    done: int
    total: int
    left_s: float


@dataclass(frozen=True, slots=True)
class ServerQueue:
    """Another agent is measuring; ours waits. place: 1 is next. wait_s: the longest that it can take."""

    place: int
    wait_s: float
    held_by: str | None


@dataclass(frozen=True, slots=True)
class TransferStarted:
    """The lease is held and bytes begin to move."""

    slot: Slot


@dataclass(frozen=True, slots=True)
class Progressed:
    """A sample of the running transfer, for display."""

    slot: Slot
    sample: Sample


@dataclass(frozen=True, slots=True)
class LinkSeen:
    """A sample of the link beside the running transfer, for display."""

    sample: LinkSample


@dataclass(frozen=True, slots=True)
class AttemptStored:
    """The attempt is in the store, safely: this is said after the commit. next_step: what will be done about it, in
    words; empty when nothing. done, total: slots settled now, and slots wanted in all (extra repeats included)."""

    slot: Slot
    record: AttemptRecord
    next_step: str
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class AttemptFlagged:
    """An earlier attempt got a flag in the light of later ones."""

    record: AttemptRecord
    flag: Flag


@dataclass(frozen=True, slots=True)
class PathLost:
    """The path to the server is gone; the visit waits for it. give_up_s: how long it will wait. host_answers: the
    server's machine answers, so that it is the server alone that is gone."""

    reason: str
    give_up_s: float
    host_answers: bool = False


@dataclass(frozen=True, slots=True)
class PathBack:
    """The server answers again. away_s: for how long it did not."""

    away_s: float


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth knowing that stops nothing. code: one word for programs."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class LookTaken:
    """After a quad the comparisons were looked at; those that are decided are not measured any more. standings: every
    comparison of the plan. saved: measurements up to the plan's maximum that the decided ones save. done, total: slots
    settled, and slots still wanted in all. left_s: estimate of the time still needed at most."""

    standings: tuple[Standing, ...]
    saved: int
    done: int
    total: int
    left_s: float


@dataclass(frozen=True, slots=True)
class VisitEnded:
    """outcome: ``complete``, ``interrupted``, ``server_gone``, ``store_full``. open_slots: wanted, not settled.
    lost_slots: settled without a valid result (given up after the permitted tries)."""

    visit_id: str
    outcome: str
    attempts: int
    open_slots: int
    lost_slots: int


Event = (
    VisitStarted
    | SwitchStarted
    | TurnStarted
    | AttemptStarted
    | ServerQueue
    | TransferStarted
    | Progressed
    | LinkSeen
    | AttemptStored
    | AttemptFlagged
    | PathLost
    | PathBack
    | Noted
    | LookTaken
    | VisitEnded
)

Subscriber = Callable[[Event], None]
