"""``sitetest report``: the document for the client, one file that needs nothing but a browser."""

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.options import AsJson, Site
from sitetest.errors import Exit


def report(
    *,
    site: Site = Path(),
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="Where to.", show_default="results/report.html"),
    ] = None,
    pdf: Annotated[
        Path | None,
        typer.Option("--pdf", metavar="FILE", help="As a PDF as well; needs the extra `pdf`.", show_default=False),
    ] = None,
    markdown: Annotated[
        str | None,
        typer.Option("--markdown", metavar="FILE", help="As Markdown as well, for a ticket; - prints it."),
    ] = None,
    png: Annotated[Path | None, typer.Option("--png", metavar="DIR", help="Every chart as a picture as well.")] = None,
    factor: Annotated[str, typer.Option("--factor", metavar="COLUMN", help="The column to compare by.")] = "ap_config",
    names: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="NAME", help="A value of it, the reference first.", show_default="all"),
    ] = None,
    baseline: Annotated[
        Path | None,
        typer.Option(
            "--baseline", metavar="PATH", help="An earlier site or exported table beside this one.", show_default=False
        ),
    ] = None,
    attempt: Annotated[
        str | None,
        typer.Option(
            "--attempt",
            metavar="ID",
            help="Show this one second by second.",
            show_default="the middle one of each case",
        ),
    ] = None,
    question: Annotated[
        str, typer.Option("--question", metavar="TEXT", help="What the client asked.", show_default=False)
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Write the document for the client: the answer first, then everything that stands behind it."""
    from sitetest.cli.client_document import DocumentWishes, write_client_document
    from sitetest.cli.consoles import say
    from sitetest.cli.json_document import write_document

    wishes = DocumentWishes(
        site_dir=site,
        command=shlex.join(["sitetest", *sys.argv[1:]]),
        output=output,
        pdf=pdf,
        markdown=markdown,
        png=png,
        factor=factor,
        names=tuple(names or ()),
        before=baseline,
        attempt=attempt,
        question=question,
    )
    where = write_client_document(wishes)
    if as_json:
        write_document("report", {"file": str(where), "bytes": where.stat().st_size})
    else:
        say(f"{where}: open it with any browser; to hand it out on paper, print it from there.")
    raise typer.Exit(Exit.DONE)
