"""``sitetest plan``: what would run, how long, how much data, what it could find; nothing is measured."""

from datetime import UTC, datetime
from pathlib import Path

import typer

from sitetest.cli.consoles import results_console
from sitetest.cli.json_document import write_document
from sitetest.cli.options import ApConfigs, AsJson, Engine, For, GiveUpEarly, Profile, Rounds, Seed, Site, Until
from sitetest.errors import Exit, UsageError


def plan(
    *,
    profile: Profile,
    site: Site = Path(),
    ap_config: ApConfigs = None,
    engine: Engine = None,
    seed: Seed = None,
    give_up_early: GiveUpEarly = False,
    length: For = None,
    until: Until = None,
    rounds: Rounds = None,
    as_json: AsJson = False,
) -> None:
    """Show what a profile would run, in which order, for how long and with how much data.

    For two or more AP configs: the chance to find a difference, and what a better chance costs. With --for, --until or
    --rounds: the same for an unattended soak.
    """
    if any(value is not None for value in (length, until, rounds)):
        if give_up_early:
            raise UsageError(
                "--give-up-early is for a run: a soak ends at its time, whatever it measured.",
                "Leave it out, or leave out --for, --until and --rounds.",
            )
        from sitetest.cli.planned_soak import by_hand, plan_soak
        from sitetest.cli.soak_end import soak_end
        from sitetest.report.soak_plan_text import soak_plan_document, soak_plan_text

        now = datetime.now(UTC)
        end = soak_end(length, until, rounds, now)
        soak = plan_soak(site, profile, end, now=now, ap_configs=ap_config, engine=engine, seed=seed)
        hands = by_hand(soak.site, soak.plan)
        if as_json:
            write_document("plan", soak_plan_document(soak.plan, soak.estimate, hands))
        else:
            results_console().print(soak_plan_text(soak.plan, soak.estimate, hands))
        raise typer.Exit(Exit.DONE)
    from sitetest.cli.planned_visit import outlook_of, plan_visit
    from sitetest.report.plan_text import plan_document, plan_text

    planned = plan_visit(site, profile, ap_config, engine, seed, give_up_early=give_up_early)
    outlook = outlook_of(site, planned)
    if as_json:
        write_document("plan", plan_document(planned.plan, planned.estimate, outlook))
    else:
        results_console().print(plan_text(planned.plan, planned.estimate, outlook))
    raise typer.Exit(Exit.DONE)
