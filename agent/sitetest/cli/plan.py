"""``sitetest plan``: what would run, how long, how much data, what it could find; nothing is measured."""

from pathlib import Path

import typer

from sitetest.cli.consoles import results_console
from sitetest.cli.json_document import write_document
from sitetest.cli.options import ApConfigs, AsJson, Engine, GiveUpEarly, Profile, Seed, Site
from sitetest.errors import Exit


def plan(
    *,
    profile: Profile,
    site: Site = Path(),
    ap_config: ApConfigs = None,
    engine: Engine = None,
    seed: Seed = None,
    give_up_early: GiveUpEarly = False,
    as_json: AsJson = False,
) -> None:
    """Show what a profile would run, in which order, for how long and with how much data.

    For two or more AP configs: the chance to find a difference, and what a better chance costs.
    """
    from sitetest.cli.planned_visit import outlook_of, plan_visit
    from sitetest.report.plan_text import plan_document, plan_text

    planned = plan_visit(site, profile, ap_config, engine, seed, give_up_early=give_up_early)
    outlook = outlook_of(site, planned)
    if as_json:
        write_document("plan", plan_document(planned.plan, planned.estimate, outlook))
    else:
        results_console().print(plan_text(planned.plan, planned.estimate, outlook))
    raise typer.Exit(Exit.DONE)
