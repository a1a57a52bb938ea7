"""``sitetest selftest``: one AP config against itself: is this place quiet enough, and what could be found here?"""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.options import AsJson, Engine, Seed, Server, Site, Token, Yes


def selftest(
    *,
    profile: Annotated[
        str | None,
        typer.Option(
            "--profile", "-p", metavar="NAME", help="Measure as this profile does.", show_default="short, with --server"
        ),
    ] = None,
    site: Site = Path(),
    server: Server = None,
    token: Token = None,
    ap_config: Annotated[
        str | None, typer.Option("--ap-config", metavar="NAME", help="The AP config.", show_default="the first")
    ] = None,
    engine: Engine = None,
    turns: Annotated[int, typer.Option("--turns", metavar="N", help="Turns a side, an even number from 4 on.")] = 4,
    seed: Seed = None,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Measure one AP config against itself: the spread here, and which differences could be found with it.

    A throughput test fills the network: run it with the owner's consent. Nothing of it enters any comparison.
    """
    from sitetest.cli.consoles import results_console, say
    from sitetest.cli.json_document import write_document
    from sitetest.cli.self_test_visit import Asked, run_self_test
    from sitetest.cli.session_results import exit_code
    from sitetest.comparing.self_test import self_test_document
    from sitetest.report.self_test_text import self_test_screen

    session, result = run_self_test(
        Asked(site, profile, server, token, ap_config, engine, turns=turns, seed=seed, yes=yes)
    )
    code = exit_code(session)
    if as_json:
        told = None if result is None else self_test_document(result)
        write_document("selftest", {"visit_id": session.visit.visit_id, "outcome": session.outcome, "self_test": told})
    elif result is not None:
        results_console().print(self_test_screen(result))
    if session.open_slots:
        say(f"Stopped with {session.open_slots} measurements left; begin again with `sitetest selftest`.")
    raise typer.Exit(code)
