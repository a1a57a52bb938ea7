"""From the command line's words to a site, a profile and an ordered plan: the same for ``plan`` and ``run``.

May import plan, comparing, report, store and the standard library only.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sitetest.plan.cases import Case, Leg, Plan
from sitetest.plan.estimate import Estimate, estimate
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.report.case_summary import case_summaries
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, VisitKind
from sitetest.store.tidy import Facts
from sitetest_wire.words import Direction, EngineName

if TYPE_CHECKING:
    from sitetest.comparing.outlook import Outlook

SEEDS = 1_000_000
"""New seeds are below this: short enough to be typed again."""


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """A plan with what it was made from. estimate: of everything up to the plan's maximum."""

    site: Site
    profile: Profile
    plan: Plan
    estimate: Estimate


def plan_visit(
    site_dir: Path,
    profile_name: str,
    ap_configs: Sequence[str] | None,
    engine: str | None,
    seed: int | None,
    *,
    give_up_early: bool = False,
) -> PlannedVisit:
    """Read the files and make the plan. seed: None takes a new one. Raises UsageError, and StoreError for results that
    are there and cannot be read."""
    site = load_site(site_dir)
    profile = load_profile(site_dir, profile_name)
    chosen = secrets.randbelow(SEEDS) if seed is None else seed
    plan = make_plan(site, profile, seed=chosen, ap_configs=ap_configs, engine=engine, give_up_early=give_up_early)
    return planned(site_dir, site, profile, plan)


def planned(site_dir: Path, site: Site, profile: Profile, plan: Plan) -> PlannedVisit:
    """Add the estimate to a plan; rates come from what the site's store has of the same cases."""
    most = plan.first(plan.maximum_turns)
    expected = estimate(most, seen_mbps=rates_seen(site_dir), expected_mbps=profile.limits.expected_mbps)
    return PlannedVisit(site, profile, plan, expected)


def rates_seen(site_dir: Path) -> dict[Case, float]:
    """Return the typical throughput, in Mbit/s, of every case that the site's store has a valid attempt of. Raises
    StoreError for results that are there and cannot be read."""
    return _seen_mbps([one.attempt for one in _facts_before(site_dir)])


def outlook_of(site_dir: Path, visit: PlannedVisit) -> "Outlook | None":
    """Return what the comparison of a plan can be expected to find; None when it compares nothing."""
    if visit.plan.comparison is None:
        return None
    from sitetest.comparing.outlook import outlook, seen_cv  # with the statistics, which load slowly

    assumed_cv = visit.profile.comparison.assumed_cv_pct / 100
    # the turns of a soak are means of many tests, and spread less than a run's will
    of_runs = [one.attempt for one in _facts_before(site_dir) if one.visit.kind is VisitKind.RUN]
    return outlook(visit.plan, seen_cv=seen_cv(of_runs, visit.plan), assumed_cv=assumed_cv)


def _facts_before(site_dir: Path) -> Sequence[Facts]:
    path = store_path(site_dir)
    if not path.is_file():
        return ()
    with StoreReader.read_only(path) as store:
        return store.facts()


def _seen_mbps(before: Sequence[AttemptRecord]) -> dict[Case, float]:
    return {
        Case(
            one.location, Leg(one.leg), EngineName(one.engine), one.ap_config, Direction(one.direction)
        ): one.typical_mbps
        for one in case_summaries(before)
        if one.typical_mbps is not None
    }
