"""How many tests a soak makes, how much data they move, and whether they will be enough to judge the night by, before
anything is measured.

    rounds   = one each ``every_s`` that ends in time; those that are due while an AP config is switched pass
    volume   = rounds x for each transfer: rate x (warm-up + window); payload only, the line counts about 5 % more

The rate is what was seen of the case before, and otherwise what the profile expects of the leg. Rounds that pass while
the path is away are not foreseen. Pure. May import sitetest_wire, plan, stats.rules and the standard library only.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from math import ceil, isfinite
from types import MappingProxyType

from sitetest.plan.cases import Case, Leg
from sitetest.plan.estimate import ASSOCIATION_S, EXPECTED_MBPS, SWITCH_S, transfer_s
from sitetest.plan.soak_making import round_s
from sitetest.plan.soak_plan import SoakPlan
from sitetest.stats.rules import MIN_TURNS, SOAK_FEWEST_TESTS, SOAK_SHORTEST_H
from sitetest_wire.units import bytes_at

_SECONDS_PER_HOUR = 3600
_STARTS_S = SWITCH_S + ASSOCIATION_S


@dataclass(frozen=True, slots=True)
class SoakEstimate:
    """What a soak is expected to do.

    duration_s: from its begin to its end. rounds, tests: that are made, in all. tests_of_a_case: at least. turns: of
    several AP configs, those begun; 1 with a single one. busy_s: seconds in which tests run. lan_bytes, internet_bytes:
    that they move if nothing stops them. cap_bytes, internet_cap_bytes: the plan's caps, on all and on that leg.
    cap_lasts_s, internet_lasts_s: after how long each is expected to be reached; None when it is not, and without one.
    assumed_mbps: rates, rising, that were reckoned with where none was seen before. fewest_turns: of an AP config.
    span_s: from the first test of a case to its last.
    """

    duration_s: float
    rounds: int
    tests: int
    tests_of_a_case: int
    turns: int
    busy_s: float
    lan_bytes: int
    internet_bytes: int
    cap_bytes: int | None
    internet_cap_bytes: int | None
    cap_lasts_s: float | None
    internet_lasts_s: float | None
    assumed_mbps: tuple[float, ...]
    fewest_turns: int
    span_s: float

    @property
    def over_cap(self) -> bool:
        """Whether the internet legs are expected to be stopped by their cap before the end."""
        return self.internet_lasts_s is not None

    @property
    def steps_judged(self) -> bool:
        """Whether there will be enough to say what the level did (method: statistics, section 7)."""
        return self.tests_of_a_case >= SOAK_FEWEST_TESTS and self.span_s >= SOAK_SHORTEST_H * _SECONDS_PER_HOUR

    @property
    def turns_enough(self) -> bool:
        """Whether there will be enough turns of each AP config to compare them at all."""
        return self.fewest_turns >= MIN_TURNS

    @property
    def busy_share(self) -> float:
        """Of the time, 0 to 1, how much tests take."""
        return self.busy_s / self.duration_s if self.duration_s > 0 else 0.0


def soak_estimate(
    plan: SoakPlan,
    *,
    now: datetime,
    seen_mbps: Mapping[Case, float] = MappingProxyType({}),
    expected_mbps: Mapping[Leg, float] = EXPECTED_MBPS,
) -> SoakEstimate:
    """Estimate a soak that begins ``now``. seen_mbps, expected_mbps: as for :func:`sitetest.plan.estimate.estimate`."""
    turns = _turns(plan, now)
    rounds = sum(turns)
    by_config = dict.fromkeys(plan.ap_configs, 0)
    turns_of = dict.fromkeys(plan.ap_configs, 0)
    for turn, held in zip(islice(plan.turns(), len(turns)), turns, strict=True):
        by_config[turn.ap_config] += held
        turns_of[turn.ap_config] += 1
    duration_s = _duration_s(plan, now, turns)
    moved = {Leg.LAN: 0.0, Leg.INTERNET: 0.0}
    assumed = set()
    for case in plan.cases:
        rate_mbps = seen_mbps.get(case, 0.0)
        if not (isfinite(rate_mbps) and rate_mbps > 0):
            rate_mbps = expected_mbps[case.leg]
            assumed.add(rate_mbps)
        moved[case.leg] += by_config[case.ap_config] * bytes_at(rate_mbps, transfer_s(plan.timing, case.engine))
    fewest = min(by_config.values())
    return SoakEstimate(
        duration_s=duration_s,
        rounds=rounds,
        tests=rounds * len(plan.transfers),
        tests_of_a_case=fewest,
        turns=len(turns),
        busy_s=rounds * round_s(plan.timing, plan.transfers),
        lan_bytes=round(moved[Leg.LAN]),
        internet_bytes=round(moved[Leg.INTERNET]),
        cap_bytes=plan.data_bytes,
        internet_cap_bytes=plan.internet_data_bytes,
        cap_lasts_s=_lasts_s(plan.data_bytes, sum(moved.values()), duration_s),
        internet_lasts_s=_lasts_s(plan.internet_data_bytes, moved[Leg.INTERNET], duration_s),
        assumed_mbps=tuple(sorted(assumed)),
        fewest_turns=min(turns_of.values()),
        span_s=max(0.0, duration_s - plan.every_s),
    )


def _turns(plan: SoakPlan, now: datetime) -> list[int]:
    """Return the rounds of every turn, the last one cut off by the soak's end."""
    duration_s = _until_s(plan, now)
    if len(plan.ap_configs) == 1:
        return [plan.rounds if plan.rounds is not None else _rounds_within(plan, duration_s)]
    due, lost, turn_s = _due_in_a_turn(plan), _lost_in_a_turn(plan), _turn_s(plan)
    if plan.rounds is not None:
        whole, rest = divmod(plan.rounds, due)
    else:
        whole, rest = int(duration_s // turn_s), _rounds_within(plan, duration_s % turn_s)
    return [due - lost] * whole + ([max(0, rest - lost)] if rest else [])


def _lost_in_a_turn(plan: SoakPlan) -> int:
    return ceil(_STARTS_S / plan.every_s)


def _due_in_a_turn(plan: SoakPlan) -> int:
    return max(ceil(plan.turn_s / plan.every_s), _lost_in_a_turn(plan) + 1)


def _turn_s(plan: SoakPlan) -> float:
    """How long a turn takes: one round of it is tested, however long its switch."""
    return max(plan.turn_s, (_lost_in_a_turn(plan) + 1) * plan.every_s)


def _rounds_within(plan: SoakPlan, length_s: float) -> int:
    """Return how many rounds, one each ``every_s``, are over within ``length_s``."""
    last_begins_s = length_s - round_s(plan.timing, plan.transfers)
    return 0 if last_begins_s < 0 else int(last_begins_s // plan.every_s) + 1


def _until_s(plan: SoakPlan, now: datetime) -> float:
    return 0.0 if plan.until is None else max(0.0, (plan.until - now).total_seconds())


def _duration_s(plan: SoakPlan, now: datetime, turns: list[int]) -> float:
    if plan.until is not None:
        return _until_s(plan, now)
    if len(plan.ap_configs) == 1 or not turns:
        return sum(turns) * plan.every_s
    whole, rest = divmod(plan.rounds or 0, _due_in_a_turn(plan))
    return whole * _turn_s(plan) + rest * plan.every_s


def _lasts_s(cap_bytes: int | None, wanted_bytes: float, duration_s: float) -> float | None:
    if cap_bytes is None or wanted_bytes <= cap_bytes:
        return None
    return duration_s * cap_bytes / wanted_bytes
