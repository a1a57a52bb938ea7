"""``sitetest demo``: the whole job on this machine alone, over a link that is simulated and says so."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.options import AsJson


def demo(
    site: Annotated[
        Path | None,
        typer.Option(
            "--site", metavar="DIR", help="New folder for the demo's site; it is kept.", show_default="./sitetest-demo"
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show the whole job in about a minute: a server, two simulated AP configs, a run, a comparison."""
    from sitetest.cli.demonstration import demonstrate
    from sitetest.cli.session_results import show_session

    site_dir, session = demonstrate(site)
    raise typer.Exit(show_session("demo", session, site_dir, as_json))
