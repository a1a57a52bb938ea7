"""``sitetest new``: write a commented example site to start from."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.consoles import say
from sitetest.errors import Exit


def new(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder to write the example into.", show_default=False)
    ],
) -> None:
    """Write a commented example site: profiles/site.toml and profiles to start from."""
    from sitetest.plan.example import write_example

    for file in write_example(directory):
        typer.echo(file)
    say(f"Next: edit {directory / 'profiles' / 'site.toml'}, then `sitetest check --site {directory}`.")
    raise typer.Exit(Exit.DONE)
