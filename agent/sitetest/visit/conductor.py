"""The visit itself: turn after turn, attempt after attempt, until the plan is settled or something ends it.

    next turn of the agenda -> apply its AP config -> fresh association -> server answers again
        -> for each open slot:  announce in the store -> transfer -> ask the network if it went wrong -> judge
                                -> keep -> say so -> retry rule -> wait for the path if it is gone
        -> after a quad: look at the comparisons; what is decided is not measured any more (`visit/stopping.py`)

Promises:

* An attempt is in the store as ``interrupted`` before its first byte and whole before anybody is told about it.
* Nothing measured is dropped, whatever ends the visit: a stop, cancellation, a full disk, a path that stays away.
* Subscribers can neither slow the visit down by waiting nor stop it by failing.

Decisions:

* A retry follows its attempt at once. LAN and internet legs of one repeat stand side by side in the plan; so the
  counted LAN transfer and the internet transfer after it have nothing between them but invalid tries of the latter.
* The visit waits for one path only: that of the LAN server, or of the internet server when the plan has no LAN leg. An
  internet leg that is cut costs its own slots and never holds up the LAN leg.
* ``stop`` set: the running transfer is stopped and kept as interrupted, nothing more is begun. Task cancelled: at once;
  the announcement in the store then stands as the record.

Everything it touches is passed in. May import plan, store.records, engines.base, the records of observe, visit,
sitetest_wire, errors and the standard library only.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from sitetest.engines.base import Engine
from sitetest.errors import StoreFull, WrongRadio
from sitetest.plan.cases import Leg, Plan, Slot
from sitetest.store.records import AttemptRecord, BaselineRecord, Flag, Purpose, TurnRecord, VisitRecord
from sitetest.visit import time_left
from sitetest.visit.agenda import Agenda
from sitetest.visit.announcer import Announcer
from sitetest.visit.attempting import Attempting, Means
from sitetest.visit.data_cap import InternetDataCap
from sitetest.visit.diagnosis import Answer, Diagnosis
from sitetest.visit.events import (
    AttemptFlagged,
    AttemptStarted,
    AttemptStored,
    LookTaken,
    PathBack,
    PathLost,
    Subscriber,
    VisitEnded,
    VisitStarted,
)
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.patience import AnswerWait, Patience
from sitetest.visit.protocols import Clock, Keeper, Observers, Operator, Path, RadioCheck, Switch
from sitetest.visit.retry import Accept, Again, Decision, Extra, GiveUp, case_of, decide, new_outliers, outlier_flag
from sitetest.visit.scene import Earlier
from sitetest.visit.stoppable import Stoppable, Stopped
from sitetest.visit.stopping import look_detail, looks_taken
from sitetest.visit.turn_begin import ApConfigFacts, TurnBegin
from sitetest_wire.words import EngineName

__all__ = [
    "COMPLETE",
    "INTERRUPTED",
    "SERVER_GONE",
    "STORE_FULL",
    "ApConfigFacts",
    "Conductor",
    "Patience",
    "VisitOutcome",
]

COMPLETE, INTERRUPTED, SERVER_GONE, STORE_FULL = "complete", "interrupted", "server_gone", "store_full"


@dataclass(frozen=True, slots=True)
class VisitOutcome:
    """How a visit ended. outcome: ``complete``, ``interrupted``, ``server_gone`` or ``store_full``. attempts: made in
    this part of the visit. open_slots: wanted, not settled. without_result: settled without one."""

    outcome: str
    attempts: int
    open_slots: int
    without_result: tuple[Slot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """Runs visits.

    engines: by leg and name; every one that the plan names. ap_configs: every one that the plan names. servers: label
    of the server of each leg, for the rows. new_id: gives an attempt its name. stop: set by whoever wants the visit to
    end. switch, operator, observers: None when there is none. radio: looks at the laptop's radio when a turn begins;
    None leaves that out. expected: what the site declares for AP configs. baseline: of the wire to the LAN server; None
    when it was never measured.
    """

    clock: Clock
    keeper: Keeper
    engines: Mapping[tuple[Leg, EngineName], Engine]
    path: Path
    ap_configs: Mapping[str, ApConfigFacts]
    servers: Mapping[Leg, str]
    new_id: Callable[[], str]
    stop: asyncio.Event
    switch: Switch | None = None
    operator: Operator | None = None
    observers: Observers | None = None
    radio: RadioCheck | None = None
    expected: Mapping[str, ExpectedRadio] = field(default_factory=dict)
    baseline: BaselineRecord | None = None
    subscribers: Sequence[Subscriber] = ()
    patience: Patience = field(default_factory=Patience)

    @property
    def means(self) -> Means:
        """What its attempts are made with."""
        return Means(
            clock=self.clock,
            keeper=self.keeper,
            engines=self.engines,
            path=self.path,
            ap_configs=self.ap_configs,
            servers=self.servers,
            new_id=self.new_id,
            stop=self.stop,
            observers=self.observers,
            expected=self.expected,
            baseline=self.baseline,
        )

    async def run(
        self,
        plan: Plan,
        visit: VisitRecord,
        already: Sequence[AttemptRecord] | None = None,
        begun: Sequence[TurnRecord] = (),
    ) -> VisitOutcome:
        """Measure what is open and return how it ended.

        already: None begins the visit; the attempts so far (maybe none) go on with one that was begun before, whose
        turns are ``begun``. Raises StoreError when the store cannot be used (a full one is an outcome), and passes
        cancellation on after the end of the visit is kept.
        """
        return await _Part(self, plan, visit, already, begun).run()


class _PathGivenUp(Exception):
    """The path did not come back in time."""


class _Part:
    """One uninterrupted part of a visit, with its state."""

    def __init__(
        self,
        on: Conductor,
        plan: Plan,
        visit: VisitRecord,
        already: Sequence[AttemptRecord] | None,
        begun: Sequence[TurnRecord],
    ) -> None:
        self._on = on
        self._plan = plan
        self._visit = visit
        self._resumed = already is not None
        self._is_kept = self._resumed
        self._agenda = Agenda(plan, already or (), begun)
        self._looks = looks_taken(self._agenda.looks)
        self._attempts = 0
        self._turn_walls_s: list[float] = []
        self._announcer = Announcer(visit.visit_id, on.keeper, on.subscribers, on.clock)
        self._data_cap = InternetDataCap(self._agenda, self._announcer.note)
        self._attempting = Attempting(
            on.means,
            visit,
            plan.timing,
            began_s=self._announcer.began_s,
            publish=self._announcer.publish,
            note=self._announcer.note,
            last_order_index=max((record.order_index for record in already or ()), default=0),
        )
        self._stoppable = Stoppable(on.stop, on.clock)
        legs = {slot.case.leg for slot in plan.slots}
        self._awaited_leg = Leg.LAN if Leg.LAN in legs or not legs else Leg.INTERNET
        self._server = AnswerWait(on.path, self._awaited_leg, on.patience, on.clock, self._stoppable)
        self._turns = TurnBegin(
            visit_id=visit.visit_id,
            plan=plan,
            ap_configs=on.ap_configs,
            path=on.path,
            switch=on.switch,
            operator=on.operator,
            patience=on.patience,
            server=self._server,
            keeper=on.keeper,
            announcer=self._announcer,
            clock=on.clock,
            stop=on.stop,
            stoppable=self._stoppable,
            radio=on.radio,
        )

    # --- the frame -------------------------------------------------------------------------------------------------

    async def run(self) -> VisitOutcome:
        outcome = COMPLETE
        try:
            self._begin()
            await self._all_turns()
        except Stopped:
            outcome = INTERRUPTED
        except _PathGivenUp:
            outcome = SERVER_GONE
        except StoreFull:
            outcome = STORE_FULL
        except (WrongRadio, asyncio.CancelledError):
            self._end(INTERRUPTED)
            raise
        return self._end(outcome)

    def _begin(self) -> None:
        if not self._resumed:
            self._on.keeper.begin_visit(self._visit)
            self._is_kept = True
        self._label_what_was_missed()
        self._announcer.publish(
            VisitStarted(
                visit_id=self._visit.visit_id,
                plan=self._plan,
                resumed=self._agenda.done,
                left_s=self._left_s(),
                simulated=self._visit.simulated,
            )
        )
        if self._looks:
            self._tell_looks()  # the last one may have been taken as the part before ended

    def _end(self, outcome: str) -> VisitOutcome:
        try:
            if self._is_kept:
                self._on.keeper.end_visit(self._visit.visit_id, self._on.clock.now(), outcome)
        except StoreFull:
            outcome = STORE_FULL  # its end is not on disk, so that it may be resumed
        lost = self._agenda.without_result
        ended = VisitEnded(
            self._visit.visit_id, outcome, self._attempts, open_slots=self._agenda.open, lost_slots=len(lost)
        )
        self._announcer.publish(ended)
        return VisitOutcome(outcome, self._attempts, ended.open_slots, lost)

    def _label_what_was_missed(self) -> None:
        """Add labels that an agent left out because it was killed right after it had kept an attempt."""
        history = self._agenda.attempts
        for case in self._plan.cases:
            for last in [place for place, record in enumerate(history) if case_of(record) == case]:
                so_far = history[: last + 1]
                for position in new_outliers(so_far, case):
                    self._label(position, outlier_flag(so_far, position))

    # --- turns -----------------------------------------------------------------------------------------------------

    async def _all_turns(self) -> None:
        while (turn := self._agenda.next_turn()) is not None:
            self._stoppable.go_on()
            if not any(self._data_cap.allows(slot) for slot in turn.slots):
                continue  # no switching for a turn in which nothing may run
            began_s = self._on.clock.monotonic_s()
            begun = await self._turns.begin(turn)
            if begun is None:
                self._agenda.lost.update(slot.key for slot in turn.slots)
                continue
            self._agenda.begin(begun)
            self._turn_walls_s.append(self._on.clock.monotonic_s() - began_s)
            for slot in turn.slots:
                await self._settle(slot)
            before, self._looks = self._looks, looks_taken(self._agenda.looks)
            if self._looks != before:
                self._tell_looks()

    def _tell_looks(self) -> None:
        """Keep and tell what is decided, and what is open."""
        agenda = self._agenda
        look = LookTaken(agenda.standings(), agenda.saved, agenda.done, agenda.wanted, self._left_s())
        self._announcer.keep_and_publish(look, "look_taken", look_detail(look.standings))

    # --- slots -----------------------------------------------------------------------------------------------------

    async def _settle(self, slot: Slot) -> None:
        while self._agenda.is_open(slot):
            self._stoppable.go_on()
            if not self._data_cap.allows(slot):
                return
            diagnosis = await self._attempt(slot)
            self._stoppable.go_on()
            await self._wait_for_path(slot.case.leg, diagnosis)

    async def _attempt(self, slot: Slot) -> Diagnosis | None:
        tries = self._agenda.tries_before(slot)
        planned = any(slot.repeat == other.repeat and slot.case == other.case for other in self._plan.slots)
        purpose = Purpose.AGAIN if tries else Purpose.PLANNED if planned else Purpose.EXTRA
        begun = self._attempting.begin(slot, tries + 1, purpose)
        self._attempts += 1
        self._announcer.publish(
            AttemptStarted(
                slot,
                begun.record.attempt,
                purpose,
                done=self._agenda.done,
                total=self._agenda.wanted,
                left_s=self._left_s(),
            )
        )
        made = await self._attempting.make(
            begun,
            earlier=Earlier.of(self._agenda.attempts, slot.case),
            accepted=self._turns.accepted,
            max_bytes=self._data_cap.max_bytes(slot),
        )
        self._keep(slot, made.record)
        if made.interrupted:
            raise Stopped
        return made.diagnosis

    def _keep(self, slot: Slot, record: AttemptRecord) -> None:
        """Keep the finished attempt with its own label, say so, then label earlier ones."""
        history = [*self._agenda.attempts, record]
        decision = decide(history, slot, self._agenda.most_extra)
        outliers = decision.outliers if isinstance(decision, Accept | Extra) else ()
        words = {position: outlier_flag(history, position) for position in outliers}
        own = words.pop(len(history) - 1, None)
        if own is not None:
            record = replace(record, flags=(*record.flags, own))
        self._on.keeper.end_attempt(record)
        self._agenda.add(replace(record, observations=()))
        labelled = list(words.items())
        for position, flag in labelled:
            self._agenda.label(position, flag)
        self._announcer.publish(
            AttemptStored(
                slot,
                record,
                next_step=_next_step(
                    decision, self._agenda.has_replacement(slot), self._on.stop.is_set(), self._agenda.most_extra
                ),
                done=self._agenda.done,
                total=self._agenda.wanted,
            )
        )
        for position, flag in labelled:
            self._on.keeper.add_flag(self._agenda.attempts[position].test_id, flag)
            self._announcer.publish(AttemptFlagged(self._agenda.attempts[position], flag))

    def _label(self, position: int, flag: Flag) -> None:
        record = self._agenda.label(position, flag)
        self._on.keeper.add_flag(record.test_id, flag)
        self._announcer.publish(AttemptFlagged(record, flag))

    # --- the path --------------------------------------------------------------------------------------------------

    async def _wait_for_path(self, leg: Leg, diagnosis: Diagnosis | None) -> None:
        """Wait for the awaited server when an attempt found it gone. Raises _PathGivenUp and Stopped."""
        if diagnosis is None or (leg is self._awaited_leg and diagnosis.server is Answer.YES):
            return
        if await self._server.answers():
            return
        reason = self._agenda.attempts[-1].reason
        limit_s = self._on.patience.path_s
        detail = {"reason": reason, "give_up_s": limit_s}
        lost = PathLost(reason, limit_s, host_answers=leg is self._awaited_leg and diagnosis.host is Answer.YES)
        self._announcer.keep_and_publish(lost, "path_lost", detail)
        away_s = await self._server.seconds_until_answer(limit_s)
        if away_s is None:
            raise _PathGivenUp
        self._announcer.keep_and_publish(PathBack(away_s), "path_back", {"away_s": away_s})

    def _left_s(self) -> float:
        return time_left.left_s(self._agenda, self._turn_walls_s, simulated=self._visit.simulated is not None)


def _next_step(decision: Decision | None, has_replacement: bool, stopping: bool, most_extra: int) -> str:
    """Say what will be done about an attempt; empty when nothing."""
    words = ""
    match decision:
        case Again() if stopping:
            words = "is left open; --resume tries it again"
        case Again(left=left):
            words = f"is tried again now ({'the last try' if left == 0 else f'{left + 1} tries left'})"
        case GiveUp() if has_replacement:
            words = "is given up in this turn; a replacement turn comes at the end of the quad"
        case GiveUp():
            words = "is given up; this measurement has no result"
        case Extra():
            words = "an outlier is kept and counted; an extra repeat comes at the end of the visit"
        case Accept(outliers=outliers) if outliers and not most_extra:
            words = "an outlier is kept and counted"
        case Accept(outliers=outliers) if outliers:
            words = "an outlier is kept and counted; the case has had all its extra repeats"
        case _:
            pass
    return words
