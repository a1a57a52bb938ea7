"""The visit behind ``sitetest selftest``: the real run, with one AP config under two names.

May import everything of sitetest that a run needs, and comparing.
"""

import secrets
from dataclasses import dataclass
from pathlib import Path

from sitetest.cli.planned_visit import SEEDS, PlannedVisit, planned
from sitetest.cli.visit_session import Session, Wishes, run_to_the_end
from sitetest.comparing.self_test import SelfTest, self_test
from sitetest.comparing.site_data import table_of
from sitetest.errors import UsageError
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import chosen_ap_configs, make_plan
from sitetest.plan.self_test import profile_without_files, self_test_profile, site_without_files
from sitetest.store.reading import StoreReader, store_path


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says. profile: None measures without files. ap_config: None for the only one, or the first
    of the profile. turns: a side, even."""

    site_dir: Path
    profile: str | None
    server: str | None
    token: str | None
    ap_config: str | None
    engine: str | None
    turns: int
    seed: int | None
    yes: bool


def run_self_test(asked: Asked) -> tuple[Session, SelfTest | None]:
    """Measure, and return the visit and what it says; None when nothing was measured. Blocks. Raises SitetestError."""
    plan = plan_self_test(asked)
    wishes = Wishes(
        site_dir=asked.site_dir,
        profile=plan.profile.name,
        server=asked.server,
        token=asked.token,
        yes=asked.yes,
        prepared=plan,
    )
    session = run_to_the_end(wishes)
    if not session.attempts:
        return session, None
    path = store_path(asked.site_dir)
    with StoreReader.read_only(path) as store:
        facts = store.facts(session.visit.visit_id)
    return session, self_test(table_of(facts, str(path)), seed=plan.plan.seed, family=len(plan.plan.cases))


def plan_self_test(asked: Asked) -> PlannedVisit:
    """Return the plan, from the files of the site or without any. Raises UsageError, StoreError."""
    if asked.turns < 4 or asked.turns % 2:
        raise UsageError(f"--turns: found {asked.turns}; allowed: an even number from 4 on: turns a side, in quads.")
    if asked.profile is not None:
        site, profile = load_site(asked.site_dir), load_profile(asked.site_dir, asked.profile)
        names = (asked.ap_config,) if asked.ap_config else None
        ap_config = chosen_ap_configs(site, profile, names)[0]
    elif asked.server is None:
        raise UsageError(
            "selftest needs --profile NAME, or --server HOST[:PORT] to measure without profile files.",
            "sitetest-server prints the address when it starts.",
        )
    else:
        site, profile = site_without_files(), profile_without_files()
        ap_config = chosen_ap_configs(site, profile, (asked.ap_config,) if asked.ap_config else None)[0]
    seed = secrets.randbelow(SEEDS) if asked.seed is None else asked.seed
    profile = self_test_profile(profile, ap_config, asked.turns)
    plan = make_plan(site, profile, seed=seed, engine=asked.engine)
    return planned(asked.site_dir, site, profile, plan)
