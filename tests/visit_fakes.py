"""An invented bookshop visit driven by fakes: a clock that only jumps, a store in memory, engines that obey a script.

Nothing here sleeps or opens a socket. May import sitetest and sitetest_wire only.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import TypeVar

from sitetest.engines.base import Availability, Failure, FailureKind, TransferResult, TransferSpec, Watch
from sitetest.errors import StoreFull
from sitetest.plan.cases import Case, Leg, Plan, Slot, Timing, Turn
from sitetest.store.records import AttemptRecord, EventRecord, Flag, Status, TurnRecord, VisitRecord
from sitetest.visit.agenda import key_of
from sitetest.visit.conductor import ApConfigFacts, Conductor, Patience, VisitOutcome
from sitetest.visit.diagnosis import Answer, Diagnosis, Route
from sitetest.visit.events import AttemptStored, Event, Noted
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.protocols import Applied, Observers, Operator, RadioAnswer, Switch
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

Heard = TypeVar("Heard")

WELL = Diagnosis(Answer.YES, Answer.UNKNOWN, Answer.YES, Answer.YES, "wlan0")
SERVER_DEAD = Diagnosis(Answer.YES, Answer.UNKNOWN, Answer.YES, Answer.NO, "wlan0")
LINK_DOWN = Diagnosis(Answer.NO, Answer.NO, Answer.NO, Answer.NO, "wlan0")
NO_TELLING = Diagnosis(Answer.YES, Answer.UNKNOWN, Answer.NO, Answer.NO, "wlan0")


def steady(spec: TransferSpec, rate_mbps: float = 400.0, until_s: float | None = None) -> TransferResult:
    """Return a transfer at a steady rate that went on until ``until_s`` of its own clock; None: to its end."""
    end_s = spec.total_s + 0.1 if until_s is None else until_s
    bytes_a_second = rate_mbps * 1e6 / 8 / spec.streams
    instants = [0.0, 0.1, *(float(second) for second in range(1, int(end_s) + 1)), end_s]
    samples = tuple(
        Sample(at_s, (round(at_s * bytes_a_second),) * spec.streams, CountedAs.RECEIVED)
        for at_s in sorted(set(instants))
        if at_s <= end_s
    )
    return TransferResult(spec, receiver=samples, engine_version="1.0", local_address="192.0.2.10")


def broken(
    spec: TransferSpec, kind: FailureKind, rate_mbps: float = 400.0, until_s: float = 0.0, message: str = "as scripted"
) -> TransferResult:
    """Return a transfer that failed after ``until_s``; at 0 no byte had moved."""
    seen = steady(spec, rate_mbps, until_s) if until_s else TransferResult(spec)
    return replace(seen, failure=Failure(kind, message))


class FakeClock:
    """Time passes when somebody sleeps or a transfer runs, at once."""

    def __init__(self) -> None:
        self.elapsed_s = 0.0
        self.wall = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
        self.slept_s: list[float] = []

    def advance(self, duration_s: float) -> None:
        self.elapsed_s += duration_s
        self.wall += timedelta(seconds=duration_s)

    def set_wall(self, by_s: float) -> None:
        self.wall += timedelta(seconds=by_s)

    def now(self) -> datetime:
        return self.wall

    def monotonic_s(self) -> float:
        return 1000.0 + self.elapsed_s

    async def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        self.advance(duration_s)
        await asyncio.sleep(0)


class MemoryKeeper:
    """A store in memory that keeps the contract's rules: every call is logged, order of calls is asserted, and a full
    one refuses. full_at: the number of the write (from 1) from which on there is no room."""

    def __init__(self, full_at: int | None = None) -> None:
        self.log: list[tuple[str, object]] = []
        self.kept: dict[str, AttemptRecord] = {}
        self.turns: list[TurnRecord] = []
        self.events: list[EventRecord] = []
        self.visits: list[VisitRecord] = []
        self.ended: list[str] = []
        self.running: str | None = None
        self._full_at = full_at
        self._writes = 0

    def _write(self, what: str, fact: object) -> None:
        self._writes += 1
        if self._full_at is not None and self._writes >= self._full_at:
            raise StoreFull("no room left")
        self.log.append((what, fact))

    def begin_visit(self, visit: VisitRecord) -> None:
        assert not self.visits, "a visit begins once"
        self._write("begin_visit", visit)
        self.visits.append(visit)

    def begin_turn(self, turn: TurnRecord) -> None:
        assert self.visits, "the visit is kept first"
        self._write("begin_turn", turn)
        self.turns.append(turn)

    def begin_attempt(self, record: AttemptRecord) -> None:
        assert record.status is Status.INTERRUPTED, "an announcement is an interrupted attempt"
        assert record.test_id not in self.kept, "names are used once"
        assert [turn.turn for turn in self.turns][-1:] == [record.turn], "the turn is kept first"
        self._write("begin_attempt", record)
        self.kept[record.test_id] = record
        self.running = record.test_id

    def end_attempt(self, record: AttemptRecord) -> None:
        assert self.running == record.test_id, "announced before it ran"
        self._write("end_attempt", record)
        self.kept[record.test_id] = record
        self.running = None

    def add_flag(self, test_id: str, flag: Flag) -> None:
        self._write("add_flag", (test_id, flag))
        record = self.kept[test_id]
        self.kept[test_id] = replace(record, flags=(*record.flags, flag))

    def add_event(self, event: EventRecord) -> None:
        self._write("add_event", event)
        self.events.append(event)

    def end_visit(self, visit_id: str, at: datetime, outcome: str) -> None:
        self._write("end_visit", outcome)
        self.ended.append(outcome)

    def attempts(self, visit_id: str) -> Sequence[AttemptRecord]:
        return [replace(record, seconds=(), raw=None) for record in self.kept.values()]

    def settled(self) -> dict[tuple[int, int, Case], list[tuple[Status, float | None]]]:
        """Everything but interrupted tries, by slot: what two visits must agree on."""
        found: dict[tuple[int, int, Case], list[tuple[Status, float | None]]] = {}
        for record in self.kept.values():
            if record.status is not Status.INTERRUPTED:
                found.setdefault(key_of(record), []).append((record.status, record.throughput_mbps))
        return found


@dataclass(frozen=True, slots=True)
class Call:
    """One transfer as the script sees it. finished_tries: whole attempts at the same slot before this one. number: of
    all transfers in this part of the visit, from 1."""

    leg: Leg
    spec: TransferSpec
    record: AttemptRecord
    finished_tries: int
    number: int


Script = Callable[[Call], TransferResult | None]


class FakePath:
    """Answers as scripted. diagnoses, answering: taken in turn, the last one for ever."""

    def __init__(
        self,
        diagnoses: Mapping[Leg, Sequence[Diagnosis]] | None = None,
        answering: Sequence[bool] = (True,),
        routes: Sequence[Route | None] = (Route("wlan0", "192.0.2.10"),),
        association: str = "fresh",
    ) -> None:
        self._diagnoses = {leg: list(given) for leg, given in (diagnoses or {}).items()}
        self._answering = list(answering)
        self._routes = list(routes)
        self._association = association
        self.diagnosed: list[Leg] = []
        self.asked: list[Leg] = []
        self.associations = 0

    async def answers(self, leg: Leg) -> bool:
        self.asked.append(leg)
        return self._answering.pop(0) if len(self._answering) > 1 else self._answering[0]

    async def route(self, leg: Leg) -> Route | None:
        return self._routes.pop(0) if len(self._routes) > 1 else self._routes[0]

    async def diagnose(self, leg: Leg) -> Diagnosis:
        self.diagnosed.append(leg)
        given = self._diagnoses.get(leg, [WELL])
        return given.pop(0) if len(given) > 1 else given[0]

    async def reassociate(self) -> str:
        self.associations += 1
        return self._association


@dataclass
class Visit:
    """A conductor with all its fakes, and what it said. script: None hangs until stopped."""

    plan: Plan
    script: Script = field(default=lambda call: steady(call.spec))
    path: FakePath = field(default_factory=FakePath)
    keeper: MemoryKeeper = field(default_factory=MemoryKeeper)
    clock: FakeClock = field(default_factory=FakeClock)
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    switch: Switch | None = None
    operator: Operator | None = None
    by_command: bool = False
    patience: Patience = field(default_factory=Patience)
    subscribers: tuple[Callable[[Event], None], ...] = ()
    simulated: str | None = None
    observers: Observers | None = None
    events: list[Event] = field(default_factory=list)
    calls: list[Call] = field(default_factory=list)
    told_too_early: list[str] = field(default_factory=list)

    @property
    def record(self) -> VisitRecord:
        return VisitRecord(
            visit_id="visit-1",
            site=self.plan.site,
            location=self.plan.location,
            profile=self.plan.profile,
            started_at=self.clock.now(),
            plan="{}",
            seed=self.plan.seed,
            client="laptop",
            sitetest_version="0",
            simulated=self.simulated,
        )

    def conductor(self) -> Conductor:
        cases = self.plan.cases
        numbers = count(len(self.keeper.kept) + 1)
        return Conductor(
            clock=self.clock,
            keeper=self.keeper,
            engines={(case.leg, case.engine): _FakeEngine(self, case.leg, case.engine) for case in cases},
            path=self.path,
            ap_configs={
                case.ap_config: ApConfigFacts("counter", firmware="7.1", by_command=self.by_command) for case in cases
            },
            servers={leg: f"{leg}-server" for leg in Leg},
            new_id=lambda: f"test-{next(numbers)}",
            stop=self.stop,
            switch=self.switch,
            operator=self.operator,
            observers=self.observers,
            subscribers=(*self.subscribers, self._hear),
            patience=self.patience,
        )

    def _hear(self, event: Event) -> None:
        self.events.append(event)
        self.keeper.log.append(("event", event))
        if isinstance(event, AttemptStored) and self.keeper.kept[event.record.test_id] != event.record:
            self.told_too_early.append(event.record.test_id)  # raising here would only be logged by the announcer

    async def run(self) -> VisitOutcome:
        return await self._run(None)

    async def resume(self) -> VisitOutcome:
        return await self._run(self.keeper.attempts("visit-1"))

    async def _run(self, already: Sequence[AttemptRecord] | None) -> VisitOutcome:
        try:
            begun = () if already is None else tuple(self.keeper.turns)
            return await self.conductor().run(self.plan, self.record, already, begun)
        finally:
            assert self.told_too_early == [], "an attempt is kept before it is announced as stored"

    def heard(self, kind: type[Heard]) -> list[Heard]:
        return [event for event in self.events if isinstance(event, kind)]

    @property
    def records(self) -> list[AttemptRecord]:
        return list(self.keeper.kept.values())

    @property
    def statuses(self) -> list[Status]:
        return [record.status for record in self.records]

    def notes(self) -> list[str]:
        return [event.code for event in self.heard(Noted)]


class _FakeEngine:
    def __init__(self, visit: Visit, leg: Leg, name: EngineName) -> None:
        self.name = name
        self._visit = visit
        self._leg = leg

    def availability(self) -> Availability:
        return Availability(True)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        visit = self._visit
        assert visit.keeper.running is not None, "announced in the store before the first byte"
        record = visit.keeper.kept[visit.keeper.running]
        same = [
            other
            for other in visit.keeper.kept.values()
            if key_of(other) == key_of(record) and other.status is not Status.INTERRUPTED
        ]
        call = Call(self._leg, spec, record, len(same), len(visit.calls) + 1)
        visit.calls.append(call)
        watch.started()
        await watch.idle_before(None)
        result = visit.script(call)
        if result is None:
            await stop.wait()
            result = broken(spec, FailureKind.STOPPED, until_s=spec.warm_up_s + 2.0, message="stopped by the person")
        await asyncio.sleep(0)
        visit.clock.advance(result.receiver[-1].at_s if result.receiver else 3.0)
        if result.receiver:
            watch.sample(result.receiver[-1])
        await watch.idle_after()
        return result


class FakeOperator:
    """A person who does at once what they are asked; absent: nobody answers. about_radio: answers to questions about a
    wrong radio, in turn."""

    def __init__(self, present: bool = True, about_radio: Sequence[RadioAnswer] = ()) -> None:
        self.about_radio = list(about_radio)
        self.asked_about: list[str] = []
        self.switched: list[str] = []
        self.reassociated: list[int] = []
        self._present = present

    async def switch_to(self, turn: Turn) -> None:
        self.switched.append(turn.ap_config)

    async def reassociate(self, turn: Turn) -> bool:
        self.reassociated.append(turn.number)
        return self._present

    async def wrong_radio(self, turn: Turn, mismatch: Mismatch) -> RadioAnswer:
        self.asked_about.append(mismatch.sentence)
        return self.about_radio.pop(0)


class FakeSwitch:
    """An apply command. problems: what each call says, in turn, None when it works; then it works."""

    def __init__(self, problems: Sequence[str | None] = ()) -> None:
        self.applied: list[str] = []
        self._problems = list(problems)

    async def apply(self, ap_config: str, stop: asyncio.Event) -> Applied:
        self.applied.append(ap_config)
        return Applied(self._problems.pop(0) if self._problems else None, output=f"{ap_config} it is")


def basement_plan(
    order: Sequence[str] = ("auto",) * 4,
    legs: Sequence[Leg] = (Leg.LAN,),
    directions: Sequence[Direction] = (Direction.DOWNLOAD,),
    internet_data_bytes: int | None = None,
) -> Plan:
    """Return a plan of the bookshop's basement: one turn for each name in ``order``, four turns a quad."""
    repeats: dict[str, int] = {}
    turns = []
    for number, ap_config in enumerate(order, start=1):
        repeats[ap_config] = repeats.get(ap_config, 0) + 1
        slots = tuple(
            Slot(number, repeats[ap_config], Case("basement", leg, EngineName.HTTP, ap_config, direction))
            for direction in directions
            for leg in legs
        )
        turns.append(Turn(number, (number - 1) // 4 + 1, ap_config, slots))
    return Plan(
        site="quay-street-bookshop",
        profile="basement",
        location="basement",
        timing=Timing(streams=2, warm_up_s=1.0, duration_s=10.0),
        seed=7,
        turns=tuple(turns),
        minimum_turns=4,
        maximum_turns=10,
        internet_data_bytes=internet_data_bytes,
    )
