"""``sitetest demo``: the whole job on this machine alone, over a link that is simulated and says so."""

import shlex
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
    """Show the whole job in about a minute: a server, two simulated AP configs, a run, a comparison, a report."""
    from sitetest.cli.consoles import say
    from sitetest.cli.demonstration import demonstrate
    from sitetest.cli.session_results import show_session

    site_dir, session = demonstrate(site)
    code = show_session("demo", session, site_dir, as_json)
    if session.attempts:
        from sitetest.cli.client_document import DocumentWishes, write_client_document

        command = shlex.join(["sitetest", "report", "--site", str(site_dir)])
        say("The document that a client would get, to be opened with any browser:")
        say(f"  {write_client_document(DocumentWishes(site_dir, command))}")
    raise typer.Exit(code)
