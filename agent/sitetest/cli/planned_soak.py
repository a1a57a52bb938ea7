"""From the command line's words to the plan of a soak: the same for ``plan`` and ``soak``.

May import plan, cli.planned_visit, cli.soak_end, report.wording, store, errors and the standard library only.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sitetest.cli.planned_visit import SEEDS, rates_seen
from sitetest.cli.soak_end import SoakEnd
from sitetest.errors import UsageError
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.plan.soak_estimate import SoakEstimate, soak_estimate
from sitetest.plan.soak_making import make_soak_plan, round_s
from sitetest.plan.soak_plan import SoakPlan
from sitetest.report.wording import duration_text


@dataclass(frozen=True, slots=True)
class PlannedSoak:
    """A plan with what it was made from. estimate: of what is still to come."""

    site: Site
    profile: Profile
    plan: SoakPlan
    estimate: SoakEstimate


def plan_soak(
    site_dir: Path,
    profile_name: str,
    end: SoakEnd,
    *,
    now: datetime,
    ap_configs: Sequence[str] | None = None,
    engine: str | None = None,
    seed: int | None = None,
) -> PlannedSoak:
    """Read the files and make the plan. seed: None takes a new one. Raises UsageError, and StoreError for results that
    are there and cannot be read; UsageError also for a time in which no round fits."""
    site = load_site(site_dir)
    profile = load_profile(site_dir, profile_name)
    chosen = secrets.randbelow(SEEDS) if seed is None else seed
    plan = make_soak_plan(
        site, profile, seed=chosen, ap_configs=ap_configs, engine=engine, until=end.until, rounds=end.rounds
    )
    planned = planned_soak(site_dir, site, profile, plan, now)
    if not planned.estimate.rounds:
        takes = duration_text(round_s(plan.timing, plan.transfers))
        raise UsageError(
            f"No round fits into {duration_text(planned.estimate.duration_s)}: one takes about {takes}.",
            "Soak longer.",
        )
    return planned


def planned_soak(site_dir: Path, site: Site, profile: Profile, plan: SoakPlan, now: datetime) -> PlannedSoak:
    """Add the estimate to a plan; rates come from what the site's store has of the same cases."""
    expected = soak_estimate(plan, now=now, seen_mbps=rates_seen(site_dir), expected_mbps=profile.limits.expected_mbps)
    return PlannedSoak(site, profile, plan, expected)


def by_hand(site: Site, plan: SoakPlan) -> tuple[str, ...]:
    """Return the AP configs that only a person could switch to, where a plan switches at all."""
    if len(plan.ap_configs) == 1:
        return ()
    return tuple(name for name in plan.ap_configs if not site.ap_config(name).apply)


def refuse_switching_by_hand(site: Site, plan: SoakPlan) -> None:
    """Raise UsageError where somebody would have to sit there and switch."""
    hands = by_hand(site, plan)
    if hands:
        raise UsageError(
            f"Nobody sits beside a soak to switch AP configs, and site.toml has no apply command for: "
            f"{', '.join(hands)}.",
            f"Give each an apply command in site.toml, or soak one of them as it is: --ap-config {plan.ap_configs[0]}",
        )
