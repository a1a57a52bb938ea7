"""What the person in the room should see at this moment, folded out of the visit's events.

Pure: ``after(board, event, now_s)`` returns the next board, ``now_s`` being any clock that never goes back. Nothing is
drawn here (see ``progress.py``). May import plan, observe.link, visit.events, report, store.records, sitetest_wire and
the standard library only.
"""

from dataclasses import dataclass, replace
from enum import Enum, auto

from sitetest.observe.link.record import LinkSample
from sitetest.plan.cases import Plan, Slot, Turn
from sitetest.report.advice import is_blemished
from sitetest.report.case_label import CaseLabel
from sitetest.store.records import AttemptRecord, Purpose
from sitetest.visit.events import (
    AttemptFlagged,
    AttemptStarted,
    AttemptStored,
    Event,
    LinkSeen,
    LookTaken,
    Noted,
    PathBack,
    PathLost,
    Progressed,
    ServerQueue,
    SwitchStarted,
    TransferStarted,
    TurnStarted,
    VisitEnded,
    VisitStarted,
)
from sitetest_wire.units import mbps

RATE_SPAN_S = 1.0
"""The live figure is the mean over the last second: steadier than one sample, still live."""


FULL_LABEL = CaseLabel()
"""Says everything, until the plan is known."""


class Phase(Enum):
    """What is going on."""

    PREPARING = auto()
    SWITCHING = auto()
    WAITING_FOR_SERVER = auto()
    MEASURING = auto()
    BETWEEN = auto()
    PATH_LOST = auto()
    ENDED = auto()


@dataclass(frozen=True, slots=True)
class Board:
    """Facts for the screen.

    left_s: estimate told at ``left_at_s``; None before the first. recent: (time, total bytes) of the running transfer
    within the last second. transfer_s: seconds of payload so far. to_repeat: case label -> what is to be done, for
    what will be measured again. flagged: attempts that carry a flag or failed so far. link: as it was seen last beside
    the running transfer; None before that, and between transfers. last: the attempt that was kept last.
    """

    plan: Plan | None = None
    label: CaseLabel = FULL_LABEL
    simulated: str | None = None
    phase: Phase = Phase.PREPARING
    stop_asked: bool = False
    turn: Turn | None = None
    slot: Slot | None = None
    attempt: int = 1
    purpose: Purpose = Purpose.PLANNED
    done: int = 0
    total: int = 0
    left_s: float | None = None
    left_at_s: float = 0.0
    recent: tuple[tuple[float, int], ...] = ()
    transfer_s: float = 0.0
    queue: ServerQueue | None = None
    lost: PathLost | None = None
    lost_at_s: float = 0.0
    to_repeat: tuple[tuple[str, str], ...] = ()
    flagged: frozenset[str] = frozenset()
    link: LinkSample | None = None
    last: AttemptRecord | None = None

    @property
    def rate_mbps(self) -> float | None:
        """Live throughput over the last second; None while there is none."""
        if len(self.recent) < 2:
            return None
        (first_s, first_bytes), (last_s, last_bytes) = self.recent[0], self.recent[-1]
        return mbps(last_bytes - first_bytes, last_s - first_s) if last_s > first_s else None

    def left_now_s(self, now_s: float) -> float | None:
        """Estimate of the seconds still needed, counted down since it was told."""
        return None if self.left_s is None else max(0.0, self.left_s - (now_s - self.left_at_s))


def after(board: Board, event: Event, now_s: float) -> Board:  # noqa: PLR0911, PLR0912 - one case for each kind of event
    """Return the board after an event."""
    match event:
        case VisitStarted():
            return replace(
                board,
                plan=event.plan,
                label=CaseLabel.telling_apart(event.plan.cases),
                simulated=event.simulated,
                done=event.resumed,
                total=len(event.plan.first(event.plan.maximum_turns).slots),
                left_s=event.left_s,
                left_at_s=now_s,
            )
        case SwitchStarted():
            return replace(board, phase=Phase.SWITCHING, turn=event.turn, slot=None)
        case TurnStarted():
            return replace(board, phase=Phase.BETWEEN, turn=event.turn, slot=None, lost=None)
        case AttemptStarted():
            return replace(
                board,
                phase=Phase.BETWEEN,
                slot=event.slot,
                attempt=event.attempt,
                purpose=event.purpose,
                done=event.done,
                total=event.total,
                left_s=event.left_s,
                left_at_s=now_s,
                recent=(),
                transfer_s=0.0,
                queue=None,
                lost=None,
                link=None,
            )
        case ServerQueue():
            return replace(board, phase=Phase.WAITING_FOR_SERVER, queue=event)
        case TransferStarted():
            return replace(board, phase=Phase.MEASURING, slot=event.slot, queue=None, recent=(), transfer_s=0.0)
        case Progressed():
            return _with_sample(board, event)
        case LinkSeen():
            return replace(board, link=event.sample)
        case AttemptStored():
            return _with_stored(board, event)
        case AttemptFlagged():
            return replace(board, flagged=board.flagged | {event.record.test_id})
        case PathLost():
            return replace(board, phase=Phase.PATH_LOST, lost=event, lost_at_s=now_s)
        case PathBack():
            return replace(board, phase=Phase.BETWEEN, lost=None)
        case Noted():
            return board
        case LookTaken():
            return replace(board, done=event.done, total=event.total, left_s=event.left_s, left_at_s=now_s)
        case VisitEnded():
            return replace(board, phase=Phase.ENDED)


def stopping(board: Board) -> Board:
    """Return the board after the first Ctrl-C."""
    return replace(board, stop_asked=True)


def _with_sample(board: Board, event: Progressed) -> Board:
    sample = event.sample
    recent = (*board.recent, (sample.at_s, sample.total_bytes))
    kept = tuple(point for point in recent if point[0] >= sample.at_s - RATE_SPAN_S)
    return replace(board, phase=Phase.MEASURING, recent=kept, transfer_s=sample.at_s)


def _with_stored(board: Board, event: AttemptStored) -> Board:
    name = board.label.of(event.slot.case)
    others = tuple(item for item in board.to_repeat if item[0] != name)
    blemished = is_blemished(event.record)
    return replace(
        board,
        phase=Phase.BETWEEN,
        done=event.done,
        total=event.total,
        recent=(),
        to_repeat=(*others, (name, event.next_step)) if event.next_step else others,
        flagged=board.flagged | {event.record.test_id} if blemished else board.flagged,
        link=None,
        last=event.record,
    )
