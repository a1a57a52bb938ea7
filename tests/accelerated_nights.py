"""Nights of a soak in a second: run by the real conductor under a fake clock, with what is planted in them.

    night = accelerated_night(seed=1, plants=Plants(dropouts=((3600.0, 20.0),), step=(18_000.0, 0.8)))
    night.attempts, night.events, night.seconds, night.turns     # as the store would have them

Times are seconds since the night began (`soak_fakes.NIGHT`). Tests vary by a lognormal of `cv`, one after the other
correlated by `correlation` (statistics.md, section 10: AR(1) of 0 to 0.6 two minutes apart); nothing else is in a night
that was not planted. For counting over many nights `planted_rates` gives the rates of the tests alone, in no time.

May import sitetest, soak_fakes and fast_time only.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from fast_time import in_fast_time
from soak_fakes import NightKeeper, Outage, Soak, World, WorldSwitch, soak_plan, soak_visit
from visit_fakes import LINK_DOWN, SERVER_DEAD

from sitetest.engines.base import TransferSpec
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.records import AttemptRecord, EventRecord, TurnRecord, VisitRecord, WatchSecondRecord
from sitetest.visit.soak.protocols import SoakKeeper

BASE_MBPS = 400.0


@dataclass(frozen=True, slots=True)
class Plants:
    """What is in a night. dropouts, server_deaths, sleeps: when and how long. dips: when, and the share by which the
    tests of that round are slower. step: when, and the factor from then on. drift_per_hour: share, may be below 0.
    rates: factor for each AP config; away_s: how long its switch takes the path away."""

    dropouts: tuple[tuple[float, float], ...] = ()
    server_deaths: tuple[tuple[float, float], ...] = ()
    sleeps: tuple[tuple[float, float], ...] = ()
    dips: tuple[tuple[float, float], ...] = ()
    step: tuple[float, float] | None = None
    drift_per_hour: float = 0.0
    rates: tuple[tuple[str, float], ...] = ()
    away_s: float = 20.0

    def factor(self, at_s: float, every_s: float) -> float:
        """By what the rate of a test that begins then is multiplied."""
        factor = math.exp(math.log1p(self.drift_per_hour) * at_s / 3600)
        if self.step is not None and at_s >= self.step[0]:
            factor *= self.step[1]
        for dip_at_s, depth in self.dips:
            if dip_at_s <= at_s < dip_at_s + every_s:
                factor *= 1 - depth
        return factor


CLEAN = Plants()


@dataclass(frozen=True, slots=True)
class Night:
    """A night as the store would have it."""

    plan: SoakPlan
    visit: VisitRecord
    turns: tuple[TurnRecord, ...]
    attempts: tuple[AttemptRecord, ...]
    events: tuple[EventRecord, ...]
    seconds: tuple[WatchSecondRecord, ...]


def accelerated_night(
    seed: int,
    plants: Plants = CLEAN,
    *,
    hours: float = 10.0,
    plan: SoakPlan | None = None,
    cv: float = 0.06,
    correlation: float = 0.3,
) -> Night:
    """Run a night and return what was kept. plan: None tests a download every two minutes on one AP config."""
    soak = planted_soak(seed, plants, plan or soak_plan(hours=hours), cv=cv, correlation=correlation)
    in_fast_time(soak.run())
    kept = soak.kept
    return Night(
        soak.plan,
        soak_visit(soak.plan),
        tuple(kept.turns),
        tuple(kept.tests),
        tuple(kept.events),
        tuple(kept.seconds),
    )


def planted_rates(
    seed: int,
    plants: Plants = CLEAN,
    *,
    tests: int = 300,
    every_s: float = 120.0,
    cv: float = 0.06,
    correlation: float = 0.3,
) -> list[float]:
    """Return the Mbit/s of the tests of such a night on one AP config, as long as no outage stops one."""
    noise = _noise(seed, cv, correlation)
    return [BASE_MBPS * noise() * plants.factor(number * every_s, every_s) for number in range(tests)]


def planted_soak(
    seed: int,
    plants: Plants,
    plan: SoakPlan,
    *,
    cv: float = 0.06,
    correlation: float = 0.3,
    keeper: SoakKeeper | None = None,
) -> Soak:
    """Return a soak that is ready to run through a planted night. keeper: None keeps in memory."""
    outages = [Outage(at_s, length_s, LINK_DOWN, no_association=True) for at_s, length_s in plants.dropouts]
    outages += [Outage(at_s, length_s, SERVER_DEAD, refused=True) for at_s, length_s in plants.server_deaths]
    world = World(outages=sorted(outages, key=lambda one: one.at_s), sleeps=list(plants.sleeps))
    several = len(plan.ap_configs) > 1
    soak = Soak(
        plan,
        world,
        keeper=keeper or NightKeeper(),
        listens=False,
        by_command=several,
        make_switch=(lambda night: WorldSwitch(night, lambda _: plants.away_s)) if several else None,
    )
    noise = _noise(seed, cv, correlation)
    rates = dict(plants.rates)

    def rate_mbps(at_s: float, spec: TransferSpec) -> float:
        applied = soak.switch.applied[-1][1] if isinstance(soak.switch, WorldSwitch) else plan.ap_configs[0]
        return BASE_MBPS * noise() * rates.get(applied, 1.0) * plants.factor(at_s, plan.every_s)

    world.rate_mbps = rate_mbps
    return soak


def _noise(seed: int, cv: float, correlation: float) -> Callable[[], float]:
    """Factors around 1."""
    random = Random(seed)
    sd = math.sqrt(math.log1p(cv * cv))
    last = random.gauss(0, sd)

    def next_one() -> float:
        nonlocal last
        last = correlation * last + math.sqrt(1 - correlation**2) * random.gauss(0, sd)
        return math.exp(last)

    return next_one
