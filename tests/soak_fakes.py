"""A night in the bookshop's basement under a fake clock: one world, which the watch, the path, the engine and the
access point of a soak all look at.

Nothing here waits for real or opens a socket; run it with `fast_time.in_fast_time`. Times of a world are seconds since
its night began. May import sitetest, sitetest_wire, visit_fakes and fast_time only.
"""

import asyncio
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import TypeVar

from fast_time import BEGIN_S
from visit_fakes import LINK_DOWN, WELL, MemoryKeeper, broken, steady

from sitetest.engines.base import Availability, FailureKind, TransferResult, TransferSpec, Watch
from sitetest.errors import StoreFull
from sitetest.observe.watch.seen import AWAY_AFTER_S, Away, Back, Seen, Sleep, WatchSecond
from sitetest.plan.cases import Leg, Timing, Turn
from sitetest.plan.soak_plan import SoakPlan, Transfer
from sitetest.store.records import AttemptRecord, EventRecord, VisitKind, VisitRecord, WatchSecondRecord
from sitetest.store.soak_events import SoakEvent, soak_event_of
from sitetest.visit.diagnosis import Diagnosis, Route
from sitetest.visit.events import Noted
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.protocols import Applied, Observers, RadioCheck, Switch
from sitetest.visit.soak.conductor import SoakConductor, SoakOutcome
from sitetest.visit.soak.events import SoakHappening
from sitetest.visit.soak.patience import SoakPatience
from sitetest.visit.soak.protocols import PathWatch, SoakKeeper, Whereabouts
from sitetest.visit.soak.so_far import SoFar
from sitetest.visit.turn_begin import ApConfigFacts
from sitetest_wire.words import Direction, EngineName

Event = TypeVar("Event")

NIGHT = datetime(2026, 3, 2, 22, 30, tzinfo=UTC)
"""When a world's night begins, on the wall clock."""

DOWNLOAD: Transfer = (Leg.LAN, EngineName.HTTP, Direction.DOWNLOAD)
UPLOAD: Transfer = (Leg.LAN, EngineName.HTTP, Direction.UPLOAD)
FAR_DOWNLOAD: Transfer = (Leg.INTERNET, EngineName.HTTP, Direction.DOWNLOAD)

TEST_S = 11.1
"""What a test of :func:`soak_plan` takes here: warm-up, window, and a tenth."""


class BookshopPlan(SoakPlan):
    """Its quads are all A B B A, whatever the seed says."""

    def turns(self) -> Iterator[Turn]:
        names = (*self.ap_configs, *reversed(self.ap_configs)) if len(self.ap_configs) > 1 else self.ap_configs
        for number in count(1):
            yield Turn(number, (number - 1) // len(names) + 1, names[(number - 1) % len(names)], ())


def soak_plan(
    *,
    hours: float | None = None,
    rounds: int | None = None,
    every_s: float = 120.0,
    turn_s: float = 1800.0,
    ap_configs: tuple[str, ...] = ("auto",),
    transfers: tuple[Transfer, ...] = (DOWNLOAD,),
    most_busy_share: float = 0.5,
    data_bytes: int | None = None,
    internet_data_bytes: int | None = None,
    duration_s: float = 10.0,
) -> SoakPlan:
    """Return a soak of so many hours from NIGHT on, or of so many rounds."""
    return BookshopPlan(
        site="quay-street-bookshop",
        profile="overnight",
        location="basement",
        timing=Timing(streams=2, warm_up_s=1.0, duration_s=duration_s),
        seed=7,
        ap_configs=ap_configs,
        transfers=transfers,
        every_s=every_s,
        turn_s=turn_s,
        most_busy_share=most_busy_share,
        until=None if hours is None else NIGHT + timedelta(hours=hours),
        rounds=rounds,
        data_bytes=data_bytes,
        internet_data_bytes=internet_data_bytes,
    )


@dataclass(frozen=True, slots=True)
class Outage:
    """Nothing answers for a while. diagnosis: what the network says meanwhile."""

    at_s: float
    length_s: float
    diagnosis: Diagnosis = LINK_DOWN
    refused: bool = False
    no_association: bool = False
    after_sleep: bool = False
    late: bool = False

    @property
    def ends_s(self) -> float:
        return self.at_s + self.length_s


@dataclass
class World:
    """What is true at which time. rate_mbps: goodput of a test that begins then. facts: told by the watch when their
    time has come. watch_dies_at: times at which the watch itself fails. watch_lag_s: how much later than the server the
    watch is answered again after an outage."""

    rate_mbps: Callable[[float, TransferSpec], float] = lambda at_s, spec: 400.0
    outages: list[Outage] = field(default_factory=list)
    sleeps: list[tuple[float, float]] = field(default_factory=list)
    facts: list[tuple[float, Seen]] = field(default_factory=list)
    watch_dies_at: list[float] = field(default_factory=list)
    watch_lag_s: float = 0.0
    radio: Callable[[float], Mismatch | None] = lambda at_s: None

    def away(self, at_s: float) -> Outage | None:
        """The outage that lasts at a time."""
        return next((one for one in self.outages if one.at_s <= at_s < one.ends_s), None)


class NightClock:
    """The clock of the running fast loop, which stops in sleep, and a wall clock, which does not."""

    def __init__(self) -> None:
        self.wall_ahead_s = 0.0

    @property
    def night_s(self) -> float:
        return self.monotonic_s() - BEGIN_S

    def now(self) -> datetime:
        return NIGHT + timedelta(seconds=self.night_s + self.wall_ahead_s)

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def unix_s(self, night_s: float) -> float:
        return NIGHT.timestamp() + self.wall_ahead_s + night_s

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(duration_s)


class FakeWatch:
    """Plays the world as the path watch would tell it, at the end of each second."""

    def __init__(self, world: World, clock: NightClock) -> None:
        self._world = world
        self._clock = clock
        self.cancelled = False

    @property
    def up(self) -> bool | None:
        now_s, lag_s = self._clock.night_s, self._world.watch_lag_s
        return not any(one.at_s <= now_s < one.ends_s + lag_s for one in self._world.outages)

    async def run(self, tell: Callable[[Seen], None]) -> None:
        world, clock = self._world, self._clock
        told: set[int] = set()
        over: set[int] = set()
        second = math.ceil(clock.night_s)
        try:
            while True:
                await clock.sleep(max(0.0, second + 1 - clock.night_s))
                if world.watch_dies_at and world.watch_dies_at[0] <= clock.night_s:
                    world.watch_dies_at.pop(0)
                    raise RuntimeError("as scripted")
                self._sleep_and_facts(tell)
                for place, outage in enumerate(world.outages):
                    if place not in over and outage.ends_s + world.watch_lag_s <= clock.night_s:
                        over.add(place)
                        tell(self._back(outage, was_told=place in told))
                    elif place not in told | over and outage.at_s + AWAY_AFTER_S <= clock.night_s:
                        told.add(place)
                        tell(Away(BEGIN_S + outage.at_s, clock.unix_s(outage.at_s)))
                tell(self._second(second))
                second += 1
        except asyncio.CancelledError:
            self.cancelled = True
            raise

    def _sleep_and_facts(self, tell: Callable[[Seen], None]) -> None:
        while self._world.sleeps and self._world.sleeps[0][0] <= self._clock.night_s:
            _, length_s = self._world.sleeps.pop(0)
            self._clock.wall_ahead_s += length_s
            tell(Sleep(self._clock.monotonic_s(), length_s, stall=False))
        while self._world.facts and self._world.facts[0][0] <= self._clock.night_s:
            tell(self._world.facts.pop(0)[1])

    def _back(self, outage: Outage, *, was_told: bool) -> Back:
        return Back(
            began_s=BEGIN_S + outage.at_s,
            began_unix_s=self._clock.unix_s(outage.at_s),
            length_s=0.0 if outage.late else outage.length_s + self._world.watch_lag_s,
            unsure_s=0.1,
            was_told=was_told,
            refused=outage.refused,
            not_taken=False,
            after_sleep=outage.after_sleep,
            no_association=outage.no_association,
        )

    def _second(self, second: int) -> WatchSecond:
        lost = sum(max(0.0, min(second + 1, one.ends_s) - max(second, one.at_s)) for one in self._world.outages)
        answered = round(10 * (1.0 - min(lost, 1.0)))
        rtt_ms = 3.0 if answered else None
        return WatchSecond(BEGIN_S + second, self._clock.unix_s(second), 1.0, 10, answered, rtt_ms, rtt_ms)


class WorldPath:
    """What the network answers, by the world. association: the word for a fresh one."""

    def __init__(self, world: World, clock: NightClock, association: str = "not_wifi") -> None:
        self._world = world
        self._clock = clock
        self._association = association
        self.diagnosed_s: list[float] = []
        self.fault: Exception | None = None

    async def answers(self, leg: Leg) -> bool:
        outage = self._world.away(self._clock.night_s)
        return outage is None or outage.diagnosis.server.value == "yes"

    async def route(self, leg: Leg) -> Route | None:
        return Route("wlan0", "192.0.2.10")

    async def diagnose(self, leg: Leg) -> Diagnosis:
        self.diagnosed_s.append(self._clock.night_s)
        if self.fault is not None:
            raise self.fault
        outage = self._world.away(self._clock.night_s)
        return WELL if outage is None else outage.diagnosis

    async def reassociate(self) -> str:
        return self._association


class WorldEngine:
    """Moves bytes as fast as the world says, and fails while nothing answers."""

    name = EngineName.HTTP

    def __init__(self, night: "Soak") -> None:
        self._night = night

    def availability(self) -> Availability:
        return Availability(True)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        night, clock = self._night, self._night.clock
        began_s = clock.night_s
        if night.listens:
            night.began_s.append(began_s)
        if isinstance(night.keeper, NightKeeper):
            assert night.keeper.running is not None, "announced in the store before the first byte"
        if night.world.away(began_s) is not None:
            await clock.sleep(3.0)
            return broken(spec, FailureKind.UNREACHABLE)
        watch.started()
        if night.hangs:
            await stop.wait()
            return broken(spec, FailureKind.STOPPED, until_s=3.0)
        result = steady(spec, night.world.rate_mbps(began_s, spec))
        takes_s = result.receiver[-1].at_s
        cut = next((one for one in night.world.outages if began_s < one.at_s < began_s + takes_s), None)
        if cut is not None and cut.length_s > 10.0:
            await clock.sleep(cut.at_s - began_s + 10.0)
            return broken(spec, FailureKind.STALLED, until_s=max(cut.at_s - began_s, 0.1))
        await clock.sleep(takes_s)
        watch.sample(result.receiver[-1])
        return result


class WorldSwitch:
    """Apply commands. away_s: for how long nothing answers after the command of an AP config; 0: not at all. problem:
    what the command of an AP config says went wrong at a time; None: it works. takes_s: of a command."""

    def __init__(
        self,
        night: "Soak",
        away_s: Callable[[str], float] = lambda ap_config: 0.0,
        problem: Callable[[str, float], str | None] = lambda ap_config, at_s: None,
        takes_s: float = 2.0,
    ) -> None:
        self._night = night
        self._away_s = away_s
        self._problem = problem
        self._takes_s = takes_s
        self.applied: list[tuple[float, str]] = []

    async def apply(self, ap_config: str, stop: asyncio.Event) -> Applied:
        clock = self._night.clock
        self.applied.append((clock.night_s, ap_config))
        problem = self._problem(ap_config, clock.night_s)
        await clock.sleep(self._takes_s)
        if problem is None and self._away_s(ap_config):
            self._night.world.outages.append(Outage(clock.night_s + 0.3, self._away_s(ap_config)))
        return Applied(problem, output=f"now {ap_config}" if problem is None else "no")


class WorldRadio:
    """The laptop's radio, by the world."""

    def __init__(self, world: World, clock: NightClock) -> None:
        self._world = world
        self._clock = clock

    async def look(self, turn: Turn) -> Mismatch | None:
        return self._world.radio(self._clock.night_s)


class NightKeeper(MemoryKeeper):
    """A store in memory that takes a soak. full: says whether there is no room now. broken: raised by every write."""

    def __init__(self, full: Callable[[], bool] = lambda: False) -> None:
        super().__init__()
        self.full = full
        self.seconds: list[WatchSecondRecord] = []
        self.batches: list[int] = []
        self.broken: Exception | None = None

    def _write(self, what: str, fact: object) -> None:
        if self.broken is not None:
            raise self.broken
        if self.full():
            raise StoreFull("no room left")

    def add_watch_seconds(self, visit_id: str, seconds: Sequence[WatchSecondRecord]) -> None:
        self._write("add_watch_seconds", seconds)
        self.seconds.extend(seconds)
        self.batches.append(len(seconds))

    def has_room(self) -> bool:
        return not self.full()

    @property
    def soak_events(self) -> list[tuple[EventRecord, SoakEvent]]:
        """Every event of a soak, as an analysis reads it back."""
        return [(record, event) for record in self.events if (event := soak_event_of(record)) is not None]

    @property
    def tests(self) -> list[AttemptRecord]:
        return list(self.kept.values())


def soak_visit(plan: SoakPlan) -> VisitRecord:
    """The record of a soak that begins with NIGHT."""
    return VisitRecord(
        visit_id="visit-1",
        site=plan.site,
        location=plan.location,
        profile=plan.profile,
        started_at=NIGHT,
        plan="{}",
        seed=plan.seed,
        client="laptop",
        sitetest_version="0",
        kind=VisitKind.SOAK,
    )


@dataclass
class Soak:
    """A conductor of a soak with all its fakes, and what it said. keeper: None makes a :class:`NightKeeper`. hangs:
    tests last until they are stopped."""

    plan: SoakPlan
    world: World = field(default_factory=World)
    keeper: SoakKeeper = field(default_factory=NightKeeper)
    clock: NightClock = field(default_factory=NightClock)
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    by_command: bool = False
    make_switch: Callable[["Soak"], Switch] | None = None
    checks_radio: bool = False
    whereabouts: Whereabouts | None = None
    association: str = "not_wifi"
    so_far: SoFar | None = None
    patience: SoakPatience = field(default_factory=SoakPatience)
    subscribers: tuple[Callable[[SoakHappening], None], ...] = ()
    observers: Observers | None = None
    hangs: bool = False
    said: list[SoakHappening] = field(default_factory=list)
    began_s: list[float] = field(default_factory=list)
    tests_before: int = 0
    listens: bool = True

    def __post_init__(self) -> None:
        self.path = WorldPath(self.world, self.clock, self.association)
        self.watch: PathWatch = FakeWatch(self.world, self.clock)
        self.switch = None if self.make_switch is None else self.make_switch(self)

    @property
    def kept(self) -> NightKeeper:
        assert isinstance(self.keeper, NightKeeper)
        return self.keeper

    def conductor(self) -> SoakConductor:
        numbers = count(self.tests_before + 1)
        radio: RadioCheck | None = WorldRadio(self.world, self.clock) if self.checks_radio else None
        return SoakConductor(
            clock=self.clock,
            keeper=self.keeper,
            engines={(leg, engine): WorldEngine(self) for leg, engine, _ in self.plan.transfers},
            path=self.path,
            watch=self.watch,
            whereabouts=self.whereabouts,
            ap_configs={
                name: ApConfigFacts("counter", firmware="7.1", by_command=self.by_command)
                for name in self.plan.ap_configs
            },
            servers={leg: f"{leg}-server" for leg in Leg},
            new_id=lambda: f"test-{next(numbers)}",
            stop=self.stop,
            switch=self.switch,
            radio=radio,
            observers=self.observers,
            subscribers=(*self.subscribers, self._hear),
            patience=self.patience,
            awake=True,
            awake_why="an inhibitor lock",
        )

    def _hear(self, happening: SoakHappening) -> None:
        if self.listens:
            self.said.append(happening)

    async def run(self) -> SoakOutcome:
        return await self.conductor().run(self.plan, soak_visit(self.plan), self.so_far)

    def heard(self, kind: type[Event]) -> list[Event]:
        return [one for one in self.said if isinstance(one, kind)]

    def events(self, kind: type[Event]) -> list[Event]:
        """Events of a kind that the store has kept, in their order."""
        return [event for _, event in self.kept.soak_events if isinstance(event, kind)]

    def times_s(self, kind: type[object]) -> list[float]:
        """When events of a kind were kept, in seconds of the night."""
        return [
            (record.at - NIGHT).total_seconds() for record, event in self.kept.soak_events if isinstance(event, kind)
        ]

    @property
    def notes(self) -> list[str]:
        return [event.code for event in self.heard(Noted)]

    @property
    def turns(self) -> list[tuple[int, str]]:
        return [(turn.turn, turn.ap_config) for turn in self.kept.turns]
