"""An invented visit in which AP configs are compared: plans by the real planner, rates by case and turn.

May import sitetest, sitetest_wire and the other fakes only.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from visit_fakes import Call, Script, steady

from sitetest.engines.base import TransferResult
from sitetest.plan.cases import Plan
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.store.records import AttemptRecord

CONFIGS = ("auto", "wide80", "wide160")


def compared_plan(
    *,
    seed: int = 1,
    configs: int = 2,
    minimum: int = 4,
    maximum: int = 10,
    per_turn: int = 1,
    directions: Sequence[str] = ("download", "upload"),
    location: str = "basement",
    comparison: Mapping[str, Any] | None = None,
    give_up_early: bool = False,
) -> Plan:
    """Return a plan of short transfers over http on the wire."""
    names = CONFIGS[:configs]
    site = Site.model_validate(
        {
            "site": "quay-street-bookshop",
            "server": {},
            "access_point": [{"name": "counter"}],
            "ap_config": [{"name": name, "access_point": "counter"} for name in names],
        }
    )
    profile = Profile.model_validate(
        {
            "name": location,
            "location": location,
            "matrix": {"engines": ["http"], "directions": list(directions)},
            "timing": {"streams": 1, "warm_up_s": 0, "duration_s": 1},
            "repeats": {"minimum": minimum, "maximum": maximum, "per_turn": per_turn},
            "comparison": dict(comparison or {}),
        }
    )
    return make_plan(site, profile, seed=seed, ap_configs=names, give_up_early=give_up_early)


def rates(rate_mbps: Callable[[AttemptRecord], float]) -> Script:
    """Return a script in which every transfer is steady at a rate that its announcement decides."""

    def script(call: Call) -> TransferResult:
        return steady(call.spec, rate_mbps(call.record))

    return script


def by_repeat(values: Mapping[tuple[str, str], Sequence[float]]) -> Script:
    """Return a script in which the n-th repeat of (AP config, direction) has the n-th value, over and over."""

    def rate_mbps(record: AttemptRecord) -> float:
        of_case = values[record.ap_config, record.direction]
        return of_case[(record.repeat - 1) % len(of_case)]

    return rates(rate_mbps)
