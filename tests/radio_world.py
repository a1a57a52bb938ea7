"""A made-up radio world for the statistical suite: invented campaigns whose truth is known.

Run means are lognormal, with an AR(1) of one-second samples inside them; dips come as whole runs or as stalls of part
of a run; the level drifts (slope, and an Ornstein-Uhlenbeck wander) alike for both configurations; a wire may cap every
second. Nothing here is about real radios. All randomness comes from the generator passed in.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from sitetest.stats.answers import Comparison
from sitetest.stats.turn_value import TurnValue
from sitetest.stats.turns import CaseTurns

Array = npt.NDArray[np.float64]

RUN_SECONDS = 15
SECOND_SD, SECOND_PHI = 0.06, 0.5
TEST_S, SWITCH_S, WALK_S = 20.0, 30.0, 120.0
WANDER_H = 20 / 60
LOCATIONS, DIRECTIONS, MOST_TURNS = 3, 2, 12
PAIRS = LOCATIONS * DIRECTIONS


@dataclass(frozen=True)
class World:
    """cv: total between-run CV of A and of B; None for the mix of 3 to 15 %. dips: probability a run. slope: share an
    hour, of random sign; wander: SD of the Ornstein-Uhlenbeck part. ratios: true B/A of the six pairs."""

    cv: tuple[float, float] | None = (0.05, 0.05)
    dips: float = 0.0
    slope: float = 0.0
    wander: float = 0.0
    ratios: tuple[float, ...] = (1.0,) * PAIRS
    level_mbps: float = 400.0
    ceiling_mbps: float | None = None
    dip_depth: tuple[float, float] = (0.20, 0.70)

    def with_ratios(self, *ratios: float) -> "World":
        """The same world with these true ratios, repeated to fill the six pairs."""
        return replace(self, ratios=tuple((ratios * PAIRS)[:PAIRS]))


@dataclass(frozen=True)
class Schedule:
    """Start of each turn in hours: ``a`` and ``b`` have shape (location, turn)."""

    a: Array
    b: Array
    together: bool = field(default=True)


def abba_schedule(turns: int = MOST_TURNS) -> Schedule:
    """Quads A B B A and B A A B in turn at each location, one location after the other."""
    clock, a, b = 0.0, [], []
    for _ in range(LOCATIONS):
        starts: dict[str, list[float]] = {"A": [], "B": []}
        before = ""
        for quad in range(turns // 2):
            for name in "ABBA" if quad % 2 == 0 else "BAAB":
                clock += SWITCH_S if name != before else 0.0
                before = name
                starts[name].append(clock / 3600)
                clock += DIRECTIONS * TEST_S
        clock += WALK_S
        a.append(starts["A"])
        b.append(starts["B"])
    return Schedule(np.array(a), np.array(b))


def all_a_then_all_b_schedule(turns: int) -> Schedule:
    """What people do by hand: all of A at every location, then the round once more with B."""
    clock, rounds = 0.0, []
    for _ in range(2):
        visits = []
        for _ in range(LOCATIONS):
            visits.append([(clock + turn * DIRECTIONS * TEST_S) / 3600 for turn in range(turns)])
            clock += turns * DIRECTIONS * TEST_S + WALK_S
        rounds.append(visits)
    return Schedule(np.array(rounds[0]), np.array(rounds[1]))


def _log_sd(cv: Array) -> Array:
    return np.sqrt(np.log1p(cv**2))


def _wander(rng: np.random.Generator, hours: Array, sd: float) -> Array:
    """Ornstein-Uhlenbeck values of SD ``sd`` at rising ``hours``."""
    values = np.empty_like(hours)
    values[0] = rng.normal(0, sd)
    for i in range(1, len(hours)):
        keep = np.exp(-(hours[i] - hours[i - 1]) / WANDER_H)
        values[i] = keep * values[i - 1] + rng.normal(0, sd * np.sqrt(1 - keep**2))
    return values


def drift_logs(rng: np.random.Generator, schedule: Schedule, world: World) -> tuple[Array, Array]:
    """The drift of one campaign in log units at the turns of A and of B, shape (location, turn)."""
    hours = np.concatenate([schedule.a.ravel(), schedule.b.ravel()])
    order = np.argsort(hours)
    logs = np.log1p(world.slope) * rng.choice([-1.0, 1.0]) * hours
    if world.wander:
        wander = np.empty_like(hours)
        wander[order] = _wander(rng, hours[order], world.wander)
        logs = logs + wander
    return logs[: schedule.a.size].reshape(schedule.a.shape), logs[schedule.a.size :].reshape(schedule.b.shape)


def run_means(rng: np.random.Generator, medians: Array, cv: Array, world: World) -> Array:
    """Measured mean of each run in Mbit/s: seconds inside runs, dips, and the wire's ceiling on every second."""
    phi_sum = (1 + SECOND_PHI) / (1 - SECOND_PHI)
    inside = SECOND_SD**2 * phi_sum / RUN_SECONDS
    between = np.sqrt(np.maximum(_log_sd(cv) ** 2 - inside, 0.0))
    run = np.log(medians) + between * rng.normal(size=medians.shape)
    noise = np.empty((*medians.shape, RUN_SECONDS))
    noise[..., 0] = rng.normal(0, SECOND_SD, medians.shape)
    for second in range(1, RUN_SECONDS):
        fresh = rng.normal(0, SECOND_SD * np.sqrt(1 - SECOND_PHI**2), medians.shape)
        noise[..., second] = SECOND_PHI * noise[..., second - 1] + fresh
    seconds = np.exp(run[..., None] + noise)
    if world.dips:
        seconds = seconds * _dip_factors(rng, medians.shape, world)
    if world.ceiling_mbps is not None:
        seconds = np.minimum(seconds, world.ceiling_mbps)
    means: Array = seconds.mean(axis=-1)
    return means


def _dip_factors(rng: np.random.Generator, shape: tuple[int, ...], world: World) -> Array:
    depth = rng.uniform(*world.dip_depth, size=shape)
    dips = rng.random(shape) < world.dips
    whole = rng.random(shape) < 0.5
    stalled = np.arange(RUN_SECONDS) < np.round(depth * RUN_SECONDS)[..., None]
    factors = np.where(whole[..., None], (1 - depth)[..., None], np.where(stalled, 0.0, 1.0))
    return np.where(dips[..., None], factors, 1.0)


def spreads(rng: np.random.Generator, world: World) -> tuple[Array, Array]:
    """Between-run CV of A and B for each of the six pairs."""
    if world.cv is not None:
        return np.full(PAIRS, world.cv[0]), np.full(PAIRS, world.cv[1])
    a = np.clip(0.07 * np.exp(rng.normal(0, 0.5, PAIRS)), 0.03, 0.15)
    return a, np.clip(a * np.exp(rng.normal(0, 0.25, PAIRS)), 0.03, 0.15)


def campaign_logs(rng: np.random.Generator, world: World, schedule: Schedule) -> tuple[Array, Array]:
    """ln(Mbit/s) of every turn of A and B, shape (pair, turn); pairs are location by direction."""
    drift_a, drift_b = drift_logs(rng, schedule, world)
    cv_a, cv_b = spreads(rng, world)
    ratios = np.array(world.ratios)
    location = np.arange(PAIRS) // DIRECTIONS
    medians_a = world.level_mbps * np.exp(drift_a[location])
    medians_b = world.level_mbps * np.exp(drift_b[location]) * ratios[:, None]
    a = run_means(rng, medians_a, np.broadcast_to(cv_a[:, None], medians_a.shape), world)
    b = run_means(rng, medians_b, np.broadcast_to(cv_b[:, None], medians_b.shape), world)
    return np.log(a), np.log(b)


def case_of(logs: Array) -> CaseTurns:
    """A case whose turns have these log values in order, one valid attempt each."""
    turns = tuple(TurnValue(number, float(value)) for number, value in enumerate(logs, start=1))
    return CaseTurns(turns, attempts=len(turns))


def campaign(rng: np.random.Generator, world: World, schedule: Schedule) -> tuple[Comparison, ...]:
    """One campaign of six pairs."""
    a, b = campaign_logs(rng, world, schedule)
    return tuple(
        Comparison(f"pair {pair}", case_of(a[pair]), case_of(b[pair]), world.ceiling_mbps) for pair in range(PAIRS)
    )


def soak_night(
    rng: np.random.Generator,
    *,
    tests: int = 240,
    phi: float = 0.0,
    cv: float = 0.06,
    dips: float = 0.02,
    step: float = 0.0,
    drift: float = 0.0,
) -> tuple[Array, Array]:
    """Hours and Mbit/s of one night, a test every two minutes.

    phi: of an AR(1) between tests. step: change of the level at a random time in the middle half; drift: change over
    the whole night; shares.
    """
    sd = float(_log_sd(np.array(cv)))
    noise = np.empty(tests)
    noise[0] = rng.normal(0, sd)
    for i in range(1, tests):
        noise[i] = phi * noise[i - 1] + rng.normal(0, sd * np.sqrt(1 - phi**2))
    when = int(rng.integers(tests // 4, 3 * tests // 4))
    logs = noise + np.log1p(drift) * np.arange(tests) / tests
    logs[when:] += np.log1p(step)
    depth = np.where(rng.random(tests) < dips, rng.uniform(0.2, 0.7, tests), 0.0)
    return np.arange(tests) * 2 / 60, 400 * np.exp(logs) * (1 - depth)
