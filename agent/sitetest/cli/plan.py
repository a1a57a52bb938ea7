"""``sitetest plan``: what would run, how long, how much data; nothing is measured."""

from pathlib import Path

import typer

from sitetest.cli.consoles import results_console
from sitetest.cli.json_document import write_document
from sitetest.cli.options import ApConfigs, AsJson, Engine, Profile, Seed, Site
from sitetest.errors import Exit


def plan(
    *,
    profile: Profile,
    site: Site = Path(),
    ap_config: ApConfigs = None,
    engine: Engine = None,
    seed: Seed = None,
    as_json: AsJson = False,
) -> None:
    """Show what a profile would run, in which order, for how long and with how much data."""
    from sitetest.cli.planned_visit import plan_visit
    from sitetest.report.plan_text import plan_document, plan_text

    planned = plan_visit(site, profile, ap_config, engine, seed)
    if as_json:
        write_document("plan", plan_document(planned.plan, planned.estimate))
    else:
        results_console().print(plan_text(planned.plan, planned.estimate))
    raise typer.Exit(Exit.DONE)
