"""``sitetest check``: is everything fit to measure? Every question with its answer, and what to do where it is no."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.consoles import results_console
from sitetest.cli.json_document import write_document
from sitetest.cli.options import ApConfigs, AsJson, Engine, InternetToken, Server, Site, Token


def check(
    *,
    site: Site = Path(),
    profile: Annotated[
        str | None,
        typer.Option("--profile", "-p", metavar="NAME", help="Check for this profile.", show_default="the http engine"),
    ] = None,
    server: Server = None,
    token: Token = None,
    internet_token: InternetToken = None,
    ap_config: ApConfigs = None,
    engine: Engine = None,
    as_json: AsJson = False,
) -> None:
    """Check that server, engines, laptop and site are fit to measure; next to nothing is transferred."""
    from sitetest.cli.examination import Examined, examine_site
    from sitetest.report.checks_text import checks_document, checks_text

    examined: Examined = examine_site(
        site,
        profile=profile,
        server=server,
        token=token,
        internet_token=internet_token,
        ap_configs=ap_config,
        engine=engine,
    )
    if as_json:
        write_document("check", checks_document(examined.checks))
    else:
        results_console().print(checks_text(examined.checks))
    raise typer.Exit(examined.exit_code)
