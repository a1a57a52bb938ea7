"""``sitetest export``: the tidy tables with their dictionary, for other programs."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.consoles import say
from sitetest.cli.json_document import write_document
from sitetest.cli.options import AsJson, Site
from sitetest.errors import Exit


def export(
    *,
    site: Site = Path(),
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="DIR", help="Folder for them.", show_default="SITE/export"),
    ] = None,
    formats: Annotated[
        list[str] | None, typer.Option("--format", metavar="NAME", help="csv or parquet; both when left out.")
    ] = None,
    tables: Annotated[
        list[str] | None,
        typer.Option(
            "--table", metavar="NAME", help="attempts, seconds, observations or baselines; all when left out."
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that are there already.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write everything measured at a site as CSV and Parquet, with a data dictionary (datapackage.json)."""
    from sitetest.cli.results_folder import is_empty, require_results
    from sitetest.store.export import FORMATS, TABLES
    from sitetest.store.export import export as write_tables

    require_results(site)
    folder = output if output is not None else site / "export"
    written = write_tables(site, folder, formats or FORMATS, tables or TABLES, overwrite=overwrite)
    if as_json:
        write_document("export", {"files": [str(file) for file in written]})
    else:
        for file in written:
            typer.echo(file)
        say(f"{written[-1].name} says what every column means.")
        if is_empty(site):
            say("Nothing was attempted here yet, so attempts and seconds have no rows. Measure with `sitetest run`.")
    raise typer.Exit(Exit.DONE)
