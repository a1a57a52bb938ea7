"""How long a plan takes and how much data it moves, before anything is measured.

    duration = for each turn: switching where the AP config changes + fresh association
               for each slot: warm-up + window + idle times around it + what the engine and the store add
    volume   = for each slot: rate x (warm-up + window); payload only, so what the line counts is about 5 % more

The rate is what was seen of the case before, and otherwise what the profile expects of the leg. Attempts that have to
be made again are not foreseen. Pure. May import sitetest_wire, plan and the standard library only.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, isfinite
from types import MappingProxyType

from sitetest.plan.cases import Case, Leg, Plan, Timing, Turn
from sitetest.plan.idle_path import idle_s
from sitetest_wire.units import bytes_at
from sitetest_wire.words import EngineName

SWITCH_S = 30.0
"""A person, or a command, changes the AP config and the network comes back: what the statistical method was planned
with. A channel that must be watched for radar first takes a minute to ten more."""

ASSOCIATION_S = 5.0
"""Off the network, on again, address back. Common practice, no source."""

ATTEMPT_OVERHEAD_S: Mapping[EngineName, float] = MappingProxyType({EngineName.IPERF3: 0.5, EngineName.HTTP: 0.3})
"""Lease, connections and end of one attempt: the project's own aims for them."""

STORE_S = 0.2
"""Questions to the network and one synchronised transaction between two attempts. Estimated, no source."""

EXPECTED_MBPS: Mapping[Leg, float] = MappingProxyType({Leg.LAN: 1000.0, Leg.INTERNET: 100.0})
"""Assumed where neither the profile nor an earlier attempt says anything: wired gigabit, a common line."""


@dataclass(frozen=True, slots=True)
class CaseVolume:
    """What one case moves in all. attempts: slots of the plan. seen: the rate was measured before, not assumed."""

    case: Case
    attempts: int
    rate_mbps: float
    seen: bool
    payload_bytes: int


@dataclass(frozen=True, slots=True)
class Estimate:
    """Time and data volume of a plan. internet_cap_bytes: None when there is no internet leg."""

    duration_s: float
    attempts: int
    lan_bytes: int
    internet_bytes: int
    volumes: tuple[CaseVolume, ...]
    internet_cap_bytes: int | None = None

    @property
    def over_cap(self) -> bool:
        """Whether the internet legs are expected to be stopped by the cap before they are through."""
        return self.internet_cap_bytes is not None and self.internet_bytes > self.internet_cap_bytes


def estimate(
    plan: Plan,
    *,
    seen_mbps: Mapping[Case, float] = MappingProxyType({}),
    expected_mbps: Mapping[Leg, float] = EXPECTED_MBPS,
) -> Estimate:
    """Estimate time and volume.

    seen_mbps: throughput of cases as measured before; what is not a finite rate above zero is passed over.
    expected_mbps: of each leg, from the profile's ``limits.expected_mbps``.
    """
    volumes = []
    for case, attempts in Counter(slot.case for slot in plan.slots).items():
        seen = isfinite(seen_mbps.get(case, 0.0)) and seen_mbps.get(case, 0.0) > 0
        rate_mbps = seen_mbps[case] if seen else expected_mbps[case.leg]
        payload_bytes = round(attempts * bytes_at(rate_mbps, transfer_s(plan.timing, case.engine)))
        volumes.append(CaseVolume(case, attempts, rate_mbps, seen, payload_bytes))
    return Estimate(
        duration_s=sum(turn_starts_s(plan.turns))
        + sum(attempt_s(plan.timing, slot.case.engine) for slot in plan.slots),
        attempts=len(plan.slots),
        lan_bytes=sum(volume.payload_bytes for volume in volumes if volume.case.leg is Leg.LAN),
        internet_bytes=sum(volume.payload_bytes for volume in volumes if volume.case.leg is Leg.INTERNET),
        volumes=tuple(volumes),
        internet_cap_bytes=plan.internet_data_bytes,
    )


def transfer_s(timing: Timing, engine: EngineName) -> float:
    """Return the seconds of payload of one attempt. The library behind ``iperf3`` takes whole seconds: rounded up."""
    total_s = timing.warm_up_s + timing.duration_s
    return float(ceil(total_s)) if engine is EngineName.IPERF3 else total_s


def attempt_s(timing: Timing, engine: EngineName) -> float:
    """Return the wall time that one attempt is expected to take, in seconds."""
    idle_times_s = 2 * idle_s(timing.warm_up_s + timing.duration_s)
    return transfer_s(timing, engine) + idle_times_s + ATTEMPT_OVERHEAD_S[engine] + STORE_S


def turn_starts_s(turns: Sequence[Turn]) -> tuple[float, ...]:
    """Return, for each turn, the seconds before its first attempt: switching where the AP config is another than in
    the turn before (for the first turn: always), and the fresh association."""
    before: list[str | None] = [None, *(turn.ap_config for turn in turns)]
    return tuple((SWITCH_S if one != other else 0.0) + ASSOCIATION_S for one, other in pairwise(before))
