"""From the command line's words to a site, a profile and an ordered plan: the same for ``plan`` and ``run``.

May import plan, store and the standard library only.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sitetest.plan.cases import Case, Leg, Plan
from sitetest.plan.estimate import Estimate, estimate
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.report.case_summary import case_summaries
from sitetest.store.reading import StoreReader, store_path
from sitetest_wire.words import Direction, EngineName

SEEDS = 1_000_000
"""New seeds are below this: short enough to be typed again."""


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """A plan with what it was made from."""

    site: Site
    profile: Profile
    plan: Plan
    estimate: Estimate


def plan_visit(
    site_dir: Path, profile_name: str, ap_configs: Sequence[str] | None, engine: str | None, seed: int | None
) -> PlannedVisit:
    """Read the files and make the plan. seed: None takes a new one. Raises UsageError, and StoreError for results that
    are there and cannot be read."""
    site = load_site(site_dir)
    profile = load_profile(site_dir, profile_name)
    chosen = secrets.randbelow(SEEDS) if seed is None else seed
    return planned(site_dir, site, profile, make_plan(site, profile, seed=chosen, ap_configs=ap_configs, engine=engine))


def planned(site_dir: Path, site: Site, profile: Profile, plan: Plan) -> PlannedVisit:
    """Add the estimate to a plan; rates come from what the site's store has of the same cases."""
    expected = estimate(plan, seen_mbps=_seen_mbps(site_dir), expected_mbps=profile.limits.expected_mbps)
    return PlannedVisit(site, profile, plan, expected)


def _seen_mbps(site_dir: Path) -> dict[Case, float]:
    path = store_path(site_dir)
    if not path.is_file():
        return {}
    with StoreReader.read_only(path) as store:
        summaries = case_summaries(facts.attempt for facts in store.facts())
    return {
        Case(
            one.location, Leg(one.leg), EngineName(one.engine), one.ap_config, Direction(one.direction)
        ): one.typical_mbps
        for one in summaries
        if one.typical_mbps is not None
    }
