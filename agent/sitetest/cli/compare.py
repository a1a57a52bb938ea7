"""``sitetest compare``: what the data support about one setting against another, and nothing else."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sitetest.cli.consoles import results_console
from sitetest.cli.json_document import write_document
from sitetest.cli.options import AsJson, Site
from sitetest.errors import Exit, UsageError

if TYPE_CHECKING:
    from sitetest.comparing.attempt_table import AttemptTable
    from sitetest.comparing.pairing import Question

Data = Annotated[
    Path | None,
    typer.Option("--data", metavar="FILE", help="CSV or Parquet file instead of the site's own results."),
]
Where = Annotated[
    list[str] | None,
    typer.Option("--where", metavar="COLUMN=VALUE", help="Only attempts with this value; may be given more than once."),
]
Pool = Annotated[
    list[str] | None,
    typer.Option("--pool", metavar="COLUMN", help="Take attempts together although they differ in this column."),
]


def compare(
    *,
    names: Annotated[
        list[str], typer.Argument(metavar="A B [C ...]", help="Values of the compared column; A is the reference.")
    ],
    factor: Annotated[
        str, typer.Option("--factor", metavar="NAME", help="Column to compare by, such as ap_config.")
    ] = "ap_config",
    site: Site = Path(),
    data: Data = None,
    margin: Annotated[
        float | None,
        typer.Option(
            "--margin",
            metavar="PERCENT",
            help="Differences below this are of no practical interest.",
            show_default="as planned, or 10",
        ),
    ] = None,
    alpha: Annotated[
        float | None,
        typer.Option(
            "--alpha",
            metavar="P",
            help="Chance of a false verdict of one kind in the campaign.",
            show_default="as planned, or 0.05",
        ),
    ] = None,
    correction: Annotated[
        str | None,
        typer.Option(
            "--correction",
            metavar="NAME",
            help="holm, or bonferroni: both kinds together at alpha.",
            show_default="as planned, or holm",
        ),
    ] = None,
    family: Annotated[
        int | None,
        typer.Option(
            "--family", metavar="N", min=1, help="Comparisons planned.", show_default="as planned, or those in the data"
        ),
    ] = None,
    where: Where = None,
    pool: Pool = None,
    as_json: AsJson = False,
) -> None:
    """Compare settings: faster, no practical difference, or not enough evidence, with what stands behind it."""
    from sitetest.comparing.campaign import compare as compare_table
    from sitetest.comparing.pairing import Question
    from sitetest.stats.rules import Correction

    if correction is not None and correction not in {word.value for word in Correction}:
        raise UsageError(f'--correction: found "{correction}"; allowed: holm, bonferroni.')
    if margin is not None and not 1 <= margin < 100:
        raise UsageError(f"--margin: found {margin:g}; allowed: per cent, from 1 to below 100; 10 is usual.")
    if alpha is not None and not 0 < alpha < 1:
        raise UsageError(f"--alpha: found {alpha:g}; allowed: a number above 0 and below 1, such as 0.05.")
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError("compare needs two or more different names to compare; the first is the reference.")
    question = Question(
        factor=factor,
        names=tuple(names),
        margin=None if margin is None else margin / 100,
        alpha=alpha,
        correction=None if correction is None else Correction(correction),
        family_size=family,
        where=conditions(where),
        pooled=tuple(pool or ()),
    )
    result = compare_table(attempts_to_analyse(site, data, question), question)
    if as_json:
        from sitetest.comparing.document import comparison_document

        write_document("compare", comparison_document(result))
    else:
        from sitetest.report.comparison_text import comparison_screen

        results_console().print(comparison_screen(result))
    raise typer.Exit(Exit.DONE)


def attempts_to_analyse(site: Path, data: Path | None, question: "Question") -> "AttemptTable":
    """Return the attempts in a file, or those of the site. Raises UsageError, DataFileError, StoreError."""
    if data is not None:
        from sitetest.comparing.data_file import read_data_file

        return read_data_file(data, question.columns)
    from sitetest.cli.results_folder import require_results
    from sitetest.comparing.site_data import read_site

    return read_site(require_results(site))


def conditions(texts: list[str] | None) -> dict[str, str]:
    """Return ``COLUMN=VALUE`` texts as a mapping. Raises UsageError for another form, or a column named twice."""
    found: dict[str, str] = {}
    for text in texts or ():
        column, equals, value = text.partition("=")
        if not equals or not column or column in found:
            raise UsageError(f'--where: found "{text}"; allowed: COLUMN=VALUE, each column once.')
        found[column] = value
    return found
