"""The soak itself: rounds of the same tests until a time is over, and a watch over the path all along.

    turn    an AP config is applied by its command; the path is back (`visit/soak/soak_turns.py`)
      round   due every so often: each transfer of the matrix once, made as `run` makes it (`visit/attempting.py`)
    beside    the watch: seconds, outages, roams, sleep (`visit/soak/watching.py`, `visit/soak/outages.py`)

Promises:

* Rounds begin by the clock, without drift and never several to catch up. One that is due and cannot be tested is kept
  as passed, with the reason. It has a number like any other; so a soak of N rounds has an end whatever happens.
* No test is made again: the next round comes anyway, and a test that failed says something. None begins that could not
  end in time; one that runs as the time ends is finished.
* Nothing that network, server, access point or disk do ends it. It waits, goes on with what works, and says so.
* A full disk pauses the tests before the store is harmed; the watch goes on, held in memory (`holding_keeper.py`).
* Memory does not grow: nothing is remembered of a round that is over but its place in the order, sums and firsts.
* Stopped or cancelled: within seconds, the running test kept as interrupted. Resumed: as a further part of the same
  visit, numbers going on; an outage that the end of the part before left open stays open in the record.

Everything it touches is passed in. May import plan, store.records, store.soak_events, engines.base, observe.watch.seen,
visit, sitetest_wire, errors and the standard library only.
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import islice

from sitetest.engines.base import Engine
from sitetest.errors import StoreFull
from sitetest.observe.watch.seen import Seen, Sleep
from sitetest.plan.cases import Case, Leg, Slot, Turn
from sitetest.plan.estimate import attempt_s
from sitetest.plan.soak_plan import SoakPlan, Transfer
from sitetest.store.records import BaselineRecord, Doing, Purpose, VisitRecord
from sitetest.store.soak_events import MeasuringPaused, MeasuringResumed, PartBegan, RoundPassed
from sitetest.visit.attempting import Attempting, Begun, Means
from sitetest.visit.conductor import COMPLETE, INTERRUPTED, STORE_FULL
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.patience import AnswerWait, Patience
from sitetest.visit.protocols import Clock, Observers, Path, RadioCheck, Switch
from sitetest.visit.soak.data_limits import DataLimits
from sitetest.visit.soak.doing_log import DoingLog
from sitetest.visit.soak.ending import Ending
from sitetest.visit.soak.events import Resting, RoundStarted, SlotStarted, SlotStored, SoakEnded, SoakStarted
from sitetest.visit.soak.events import SoakSubscriber as Subscriber
from sitetest.visit.soak.first_counted import FirstCounted
from sitetest.visit.soak.holding_keeper import HoldingKeeper
from sitetest.visit.soak.outages import Outages
from sitetest.visit.soak.patience import SoakPatience
from sitetest.visit.soak.protocols import PathWatch, SoakKeeper, Whereabouts
from sitetest.visit.soak.so_far import SoFar
from sitetest.visit.soak.soak_announcer import SoakAnnouncer
from sitetest.visit.soak.soak_turns import SoakTurns
from sitetest.visit.soak.timetable import Timetable
from sitetest.visit.soak.watching import Watching
from sitetest.visit.stoppable import Stoppable, Stopped
from sitetest.visit.turn_begin import ApConfigFacts
from sitetest_wire.words import EngineName

PATH_AWAY, DISK_FULL, DATA_CAP = "path_away", "disk_full", "data_cap"
BUSY, SWITCHING, NOT_APPLIED, STOOD_STILL = "busy", "switching", "not_applied", "stood_still"

_LOOK_AT_CLOCK_S = 10.0
"""How often it is looked whether the time is over: a sleep moves it."""

_ASK_EVERY_S = 2.0
"""The longest pause between two questions to a server that is waited for after a switch: what `back_s` is unsure by."""

_ALMOST_S = 0.05
"""A round may follow this much too soon: what clocks and timers are late or early by."""


@dataclass(frozen=True, slots=True)
class SoakOutcome:
    """How a part of a soak ended. outcome: ``complete``, ``interrupted``, or ``store_full``: its last facts are not on
    disk, and it may be resumed. rounds: begun in this part; passed: due and not tested; tests: made. dropped_seconds,
    dropped_facts: that found no room, neither on disk nor in memory."""

    outcome: str
    rounds: int
    passed: int
    tests: int
    dropped_seconds: int = 0
    dropped_facts: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakConductor:
    """Runs soaks. See :class:`sitetest.visit.conductor.Conductor`, which shares most of what is passed in.

    path: of the servers, of which that of the LAN leg is watched, or the internet leg's without one. whereabouts: None
    where a server cannot move. radio: None leaves the look at the radio out. awake, awake_why: whether sleep of the
    laptop is held off, and by what or why not; for the record.
    """

    clock: Clock
    keeper: SoakKeeper
    engines: Mapping[tuple[Leg, EngineName], Engine]
    path: Path
    watch: PathWatch
    ap_configs: Mapping[str, ApConfigFacts]
    servers: Mapping[Leg, str]
    new_id: Callable[[], str]
    stop: asyncio.Event
    whereabouts: Whereabouts | None = None
    switch: Switch | None = None
    observers: Observers | None = None
    radio: RadioCheck | None = None
    expected: Mapping[str, ExpectedRadio] = field(default_factory=dict)
    baseline: BaselineRecord | None = None
    subscribers: Sequence[Subscriber] = ()
    patience: SoakPatience = field(default_factory=SoakPatience)
    awake: bool = False
    awake_why: str = ""

    async def run(self, plan: SoakPlan, visit: VisitRecord, so_far: SoFar | None = None) -> SoakOutcome:
        """Measure until the plan's time or rounds are over and return how it ended.

        so_far: None begins the visit; otherwise this goes on with one that was begun before. Raises StoreError when the
        store cannot be used (a full one is waited for, but for its first record), and passes cancellation on after the
        end of the visit is kept.
        """
        return await _Part(self, plan, visit, so_far).run()


class _Part:
    """One uninterrupted part of a soak, with its state."""

    def __init__(self, on: SoakConductor, plan: SoakPlan, visit: VisitRecord, so_far: SoFar | None) -> None:
        self._on = on
        self._plan = plan
        self._visit = visit
        self._resumed = so_far is not None
        self._so_far = so_far or SoFar()
        self._clock = on.clock
        self._is_kept = self._resumed
        self._over = asyncio.Event()  # the time, the person, or a fault: nothing new begins
        self._fault: BaseException | None = None
        self._asking_failed = False
        self._paused_since_s: dict[str, float] = {}
        self._refused: set[Transfer] = set()
        self._rounds = self._passed = self._tests = 0
        self._not_before_s = 0.0
        self._turn: Turn | None = None
        self._turn_place = 0
        self._turns_ahead = _turns_after(plan, self._so_far.turns)
        self._table: Timetable | None = None
        self._last_wall_s: dict[Case, float] = {}
        self._ending = Ending(on.clock, plan.until)
        self._limits = DataLimits(plan, self._so_far.moved_bytes, self._so_far.internet_moved_bytes)
        self._firsts = FirstCounted(self._so_far.first_counted)
        self._keeper = HoldingKeeper(on.keeper, on_full=self._disk_is_full)
        self._announcer = SoakAnnouncer(visit.visit_id, self._keeper, on.subscribers, on.clock)
        self._doing = DoingLog(on.clock)
        self._stoppable = Stoppable(self._over, on.clock)
        leg = Leg.LAN if any(one is Leg.LAN for one, _, _ in plan.transfers) else Leg.INTERNET
        self._outages = Outages(
            leg=leg,
            path=on.path,
            whereabouts=on.whereabouts,
            clock=on.clock,
            announcer=self._announcer,
            doing=self._doing,
            patience=on.patience,
            on_fault=self._asking_has_failed,
        )
        self._watching = Watching(
            visit_id=visit.visit_id,
            watch=on.watch,
            keeper=self._keeper,
            announcer=self._announcer,
            doing=self._doing,
            outages=self._outages,
            patience=on.patience,
            slept=self._slept,
        )
        self._turns = SoakTurns(
            visit_id=visit.visit_id,
            alone=self._alone,
            ap_configs=on.ap_configs,
            path=on.path,
            switch=on.switch,
            radio=on.radio,
            watch=on.watch,
            outages=self._outages,
            server=AnswerWait(on.path, leg, Patience(longest_pause_s=_ASK_EVERY_S), on.clock, self._stoppable),
            keeper=self._keeper,
            announcer=self._announcer,
            clock=on.clock,
            stop=on.stop,
            stoppable=self._stoppable,
            patience=on.patience,
        )
        means = Means(
            clock=on.clock,
            keeper=self._keeper,
            engines=on.engines,
            path=on.path,
            ap_configs=on.ap_configs,
            servers=on.servers,
            new_id=on.new_id,
            stop=on.stop,
            observers=on.observers,
            expected=on.expected,
            baseline=on.baseline,
        )
        self._attempting = Attempting(
            means,
            visit,
            plan.timing,
            began_s=self._announcer.began_s,
            publish=self._announcer.publish,
            note=self._announcer.note,
            last_order_index=self._so_far.order_index,
        )

    # --- the frame -------------------------------------------------------------------------------------------------

    async def run(self) -> SoakOutcome:
        outcome = COMPLETE
        try:
            self._begin()
            async with self._beside():
                await self._all_rounds()
        except Stopped:
            outcome = INTERRUPTED if self._on.stop.is_set() else COMPLETE
        except asyncio.CancelledError:
            self._end(INTERRUPTED)
            raise
        if self._fault is not None:
            self._end(INTERRUPTED)
            raise self._fault
        return self._end(outcome)

    def _begin(self) -> None:
        if not self._resumed:
            self._keeper.begin_visit(self._visit)
            self._is_kept = True
        plan, on = self._plan, self._on
        self._announcer.happened(PartBegan(self._resumed, plan.until, on.awake, on.awake_why))
        simulated = self._visit.simulated
        self._announcer.publish(SoakStarted(self._visit.visit_id, plan, self._so_far.rounds, plan.until, simulated))

    @asynccontextmanager
    async def _beside(self) -> AsyncIterator[None]:
        """Keep watch, and look at the clock and for a stop, while the body runs."""
        tasks = [
            asyncio.create_task(work, name=name)
            for name, work in (
                ("watch over the path", self._watch()),
                ("clock of the soak", self._look_at_clock()),
                ("stop of the soak", self._hear_stop()),
            )
        ]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._outages.forget()
            self._watching.keep_seconds()

    def _end(self, outcome: str) -> SoakOutcome:
        keeper = self._keeper
        try:
            if self._is_kept:
                keeper.keep_held()
                self._on.keeper.end_visit(self._visit.visit_id, self._clock.now(), outcome)
        except StoreFull:
            outcome = STORE_FULL  # its end is not on disk, so that it may be resumed
        self._announcer.publish(SoakEnded(self._visit.visit_id, outcome, self._rounds, self._tests))
        return SoakOutcome(
            outcome,
            self._rounds,
            self._passed,
            self._tests,
            keeper.dropped_seconds + keeper.held_seconds,
            keeper.dropped_facts + keeper.held_facts,
        )

    # --- beside the rounds -----------------------------------------------------------------------------------------

    async def _watch(self) -> None:
        """Watch; begin again when the watch itself fails, and say so."""
        while True:
            try:
                await self._on.watch.run(self._tell)
                why = "The watch ended by itself; it is begun again."
            except Exception as problem:
                logging.getLogger(__name__).exception("the watch over the path failed; it is begun again")
                why = f"The watch failed ({type(problem).__name__}: {problem}); it is begun again."
            self._safely(partial(self._watching.failed, why))
            await self._clock.sleep(self._on.patience.watch_again_s)

    def _tell(self, seen: Seen) -> None:
        self._safely(partial(self._watching.take, seen))

    def _safely(self, work: Callable[[], None]) -> None:
        """Do something for the watch, which must not fail for it: a fault ends the soak, in the open."""
        try:
            work()
        except Exception as problem:
            logging.getLogger(__name__).exception("what the watch tells cannot be kept; the soak ends")
            self._fault = self._fault or problem
            self._over.set()

    async def _look_at_clock(self) -> None:
        while (left_s := self._ending.left_s) is not None:
            if left_s <= 0:
                self._over.set()
                return
            await self._clock.sleep(min(left_s, _LOOK_AT_CLOCK_S))

    async def _hear_stop(self) -> None:
        await self._on.stop.wait()
        self._over.set()

    def _slept(self, sleep: Sleep) -> None:
        if not sleep.stall:
            self._ending.slept(sleep.length_s)

    def _asking_has_failed(self, problem: BaseException) -> None:
        """The next outage is asked about again; it is said once."""
        if not self._asking_failed:
            self._asking_failed = True
            text = f"Why nothing answered cannot be asked ({type(problem).__name__}: {problem}); causes may be missing."
            self._safely(partial(self._announcer.note, "diagnosis_failed", text))

    # --- pauses ----------------------------------------------------------------------------------------------------

    def _disk_is_full(self) -> None:
        self._pause(
            DISK_FULL,
            "The disk of the results is full. No tests until there is room again; the watch goes on, held in memory.",
        )

    def _pause(self, reason: str, why: str) -> None:
        if reason not in self._paused_since_s:
            self._paused_since_s[reason] = self._clock.monotonic_s()
            self._announcer.happened(MeasuringPaused(reason, why))

    def _resume(self, reason: str) -> None:
        since_s = self._paused_since_s.pop(reason, None)
        if since_s is not None:
            self._announcer.happened(MeasuringResumed(reason, self._clock.monotonic_s() - since_s))
            dropped = self._keeper.dropped_seconds + self._keeper.dropped_facts
            if dropped:
                text = f"The disk was full for too long: of what was held in memory {dropped} records were dropped."
                self._announcer.note("records_dropped", text)

    def _has_room(self) -> bool:
        """Ask for room on the disk; tests go on when there is some again."""
        if not self._keeper.has_room():
            return False
        self._resume(DISK_FULL)
        return not self._keeper.full

    # --- turns -----------------------------------------------------------------------------------------------------

    @property
    def _alone(self) -> bool:
        return len(self._plan.ap_configs) == 1

    def _turn_is_over(self, place: int) -> bool:
        """Tell whether the round at a place belongs to another turn. A turn has its rounds, those that are passed and
        its own switch included, but one that is tested at least, however long its switch took."""
        if self._keeper.full or (self._alone and self._turn is not None):
            return False  # what would be switched could not be kept, or there is nothing to switch to
        return place >= self._turn_place + self._rounds_in_turn

    @property
    def _rounds_in_turn(self) -> int:
        return max(1, round(self._plan.turn_s / self._plan.every_s))

    async def _next_turn(self) -> None:
        """Begin the next turn that can be begun. When none of a quad can, there is none for the length of a turn: not
        one command after the other all night."""
        with self._doing.stretch(Doing.SWITCH):
            for turn in islice(self._turns_ahead, 2 * len(self._plan.ap_configs)):
                began_s = self._clock.monotonic_s()
                self._turn = None if await self._turns.begin(turn) is None else turn
                self._turn_place = 0 if self._table is None else self._table.next_from(began_s)
                if self._turn is not None:
                    self._leave_a_round()
                    break
        self._outages.switch_ended()

    def _leave_a_round(self) -> None:
        """Lengthen a turn whose switch took all its time: else a slow access point would be switched all night."""
        if self._table is not None:
            first = self._table.next_from(self._clock.monotonic_s())
            self._turn_place = max(self._turn_place, first - self._rounds_in_turn + 1)

    # --- rounds ----------------------------------------------------------------------------------------------------

    async def _all_rounds(self) -> None:
        await self._next_turn()
        self._table = table = Timetable(self._clock.monotonic_s(), self._plan.every_s)
        place = 0
        while self._is_wanted(place):
            if not self._ending.has(table.due_s(place) - self._clock.monotonic_s() + self._shortest_s):
                await self._rest_until_over()
            if self._turn_is_over(place):
                await self._next_turn()
                place = self._pass_until(place, table.next_from(self._clock.monotonic_s()), SWITCHING)
                continue
            await self._rest(table.due_s(place) - self._clock.monotonic_s())
            place = self._pass_until(place, table.current(self._clock.monotonic_s()), STOOD_STILL)
            if not self._is_wanted(place):
                break
            await self._round(place)
            place += 1
            place = self._pass_until(place, table.next_from(self._clock.monotonic_s()), BUSY)

    def _is_wanted(self, place: int) -> bool:
        return self._plan.rounds is None or self._number(place) <= self._plan.rounds

    def _number(self, place: int) -> int:
        return self._so_far.rounds + place + 1

    def _pass_until(self, place: int, until: int, reason: str) -> int:
        """Pass the rounds that were due meanwhile; return the place of the next one."""
        while place < until and self._is_wanted(place):
            self._pass(place, reason)
            place += 1
        return place

    def _pass(self, place: int, reason: str) -> None:
        self._passed += 1
        self._announcer.happened(RoundPassed(self._number(place), reason))

    async def _round(self, place: int) -> None:
        """Test what may be tested of a round; keep that it was passed when that is nothing."""
        turn, began_s = self._turn, self._clock.monotonic_s()
        if turn is None:
            self._pass(place, NOT_APPLIED)
            return
        if began_s < self._not_before_s - _ALMOST_S:
            self._pass(place, BUSY)
            return
        busy_s, tests = 0.0, self._tests
        number = self._number(place)
        slots = self._plan.slots(turn, place - self._turn_place + 1, number)
        for slot in slots:
            self._stoppable.go_on()
            reason = self._why_not(slot, slots)
            begun = None
            if reason is None:
                if _transfer(slot.case) in self._refused:
                    continue
                if not self._ending.has(self._expected_s(slot.case)):
                    break
                begun = self._announced(slot)
                reason = DISK_FULL if begun is None else None
            if begun is None:
                if reason is not None and self._tests == tests:
                    self._pass(place, reason)
                break
            if self._tests == tests:
                self._rounds += 1
                self._announcer.publish(RoundStarted(number, turn.number, turn.ap_config))
            await self._test(begun)
            busy_s += self._last_wall_s[slot.case]
        self._not_before_s = began_s + busy_s / self._plan.most_busy_share

    def _why_not(self, slot: Slot, slots: Sequence[Slot]) -> str | None:
        """Say why no test may begin now; None when one may. A transfer that would go beyond a data cap is left out from
        now on."""
        if not self._has_room():
            return DISK_FULL
        refused = self._limits.refused(slot.case)
        if refused is not None and _transfer(slot.case) not in self._refused:
            self._refused.add(_transfer(slot.case))
            self._say_refused(slot.case, refused)
        if all(_transfer(one.case) in self._refused for one in slots):
            return DATA_CAP
        return PATH_AWAY if self._outages.path_away else None

    def _say_refused(self, case: Case, why: str) -> None:
        what_next = "To test for longer, raise the cap in the profile and begin a new soak."
        if self._refused.issuperset(self._plan.transfers):
            self._pause(DATA_CAP, f"{why} No more tests; the watch goes on. {what_next}")
        else:
            what = f"{case.direction} {case.leg} {case.engine}"
            self._announcer.note("data_cap", f"{why} No more tests of {what}. {what_next}")

    # --- one test --------------------------------------------------------------------------------------------------

    def _announced(self, slot: Slot) -> Begun | None:
        """Announce a test; None when the disk is full: the keeper has said so, and measuring is paused."""
        try:
            return self._attempting.begin(slot, 1, Purpose.PLANNED)
        except StoreFull:
            return None

    async def _test(self, begun: Begun) -> None:
        """Make a test that is announced, keep it and say so. Raises Stopped."""
        slot = begun.slot
        self._tests += 1
        self._announcer.publish(SlotStarted(slot))
        with self._doing.stretch(Doing.TRANSFER):
            made = await self._attempting.make(
                begun, earlier=self._firsts.before(slot.case), max_bytes=self._limits.max_bytes(slot.case)
            )
        self._last_wall_s[slot.case] = made.record.wall_s
        self._limits.add(made.record)
        self._firsts.add(made.record)
        self._keeper.end_attempt(made.record)
        if not self._keeper.held_facts:
            self._announcer.publish(SlotStored(slot, made.record))
        if made.interrupted:
            raise Stopped

    def _expected_s(self, case: Case) -> float:
        return max(attempt_s(self._plan.timing, case.engine), self._last_wall_s.get(case, 0.0))

    @property
    def _shortest_s(self) -> float:
        return min(attempt_s(self._plan.timing, engine) for _, engine, _ in self._plan.transfers)

    # --- rest ------------------------------------------------------------------------------------------------------

    async def _rest(self, for_s: float) -> None:
        """Rest, and look for room on a full disk now and then. Raises Stopped."""
        until_s = self._clock.monotonic_s() + for_s
        if for_s > 0:
            self._announcer.publish(Resting(for_s))
        while (left_s := until_s - self._clock.monotonic_s()) > 0:
            await self._stoppable.pause(min(left_s, self._on.patience.room_every_s))
            if self._keeper.full:
                self._has_room()
        self._stoppable.go_on()

    async def _rest_until_over(self) -> None:
        """Rest until the time is over. Raises Stopped, and nothing else."""
        while True:
            await self._rest(max(self._ending.left_s or 0.0, 1.0))


def _turns_after(plan: SoakPlan, last: int) -> Iterator[Turn]:
    return (turn for turn in plan.turns() if turn.number > last)


def _transfer(case: Case) -> Transfer:
    return case.leg, case.engine, case.direction
