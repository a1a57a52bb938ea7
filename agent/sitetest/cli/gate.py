"""``sitetest gate``: has the new firmware made it worse? For scripts: one line, and an exit code."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sitetest.cli.compare import Pool, Where, attempts_to_analyse, conditions
from sitetest.cli.consoles import say
from sitetest.cli.json_document import write_document
from sitetest.cli.options import AsJson, Site
from sitetest.errors import Exit, UsageError

if TYPE_CHECKING:
    from sitetest.comparing.attempt_table import AttemptTable
    from sitetest.comparing.gating import GateReport
    from sitetest.comparing.pairing import Question


def gate(
    *,
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="OLD NEW", help="Values of the compared column; none where --data names two files."),
    ] = None,
    factor: Annotated[
        str, typer.Option("--factor", metavar="NAME", help="Column that tells the old one from the new one.")
    ] = "firmware",
    site: Site = Path(),
    data: Annotated[
        list[Path] | None,
        typer.Option("--data", metavar="FILE", help="CSV or Parquet file; twice: the old one, then the new one."),
    ] = None,
    margin: Annotated[
        float, typer.Option("--margin", metavar="PERCENT", help="How much worse is still acceptable.")
    ] = 10.0,
    alpha: Annotated[float, typer.Option("--alpha", metavar="P", help="Chance of a false answer.")] = 0.05,
    family: Annotated[
        int | None,
        typer.Option("--family", metavar="N", min=1, help="Cases planned.", show_default="as in the data"),
    ] = None,
    looks: Annotated[
        bool, typer.Option("--looks", help="Measured with the intention to stop after 4, 6, 8 or 10 turns of each.")
    ] = False,
    where: Where = None,
    pool: Pool = None,
    junit: Annotated[
        Path | None, typer.Option("--junit", metavar="FILE", help="Write the answer as JUnit XML too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Is the new one worse than the old one by more than the margin? Pass (exit code 0), fail (4), inconclusive (5)."""
    from sitetest.comparing.gating import gate_document, run_gate
    from sitetest.comparing.pairing import Question
    from sitetest.report.gate_text import gate_line

    if not 1 <= margin < 100:
        raise UsageError(f"--margin: found {margin:g}; allowed: per cent, from 1 to below 100; 10 is usual.")
    if not 0 < alpha < 1:
        raise UsageError(f"--alpha: found {alpha:g}; allowed: a number above 0 and below 1, such as 0.05.")
    column, both = _sides(data or [], factor, names or [])
    question = Question(
        factor=column,
        names=both,
        margin=margin / 100,
        alpha=alpha,
        family_size=family,
        where=conditions(where),
        pooled=tuple(pool or ()),
    )
    table = _table(site, data or [], question)
    report = run_gate(table, question, looks=looks)
    if junit is not None:
        _write_junit(junit, report)
    if as_json:
        write_document("gate", gate_document(report))
    else:
        for note in report.notes:
            say(note)
        typer.echo(gate_line(report))
    codes = {"pass": Exit.DONE, "fail": Exit.GATE_FAIL, "inconclusive": Exit.GATE_INCONCLUSIVE}
    raise typer.Exit(codes[report.result.answer.value])


def _sides(data: list[Path], factor: str, names: list[str]) -> tuple[str, tuple[str, str]]:
    """Return the compared column and the names of old and new."""
    if len(data) == 2 and not names:
        from sitetest.comparing.gating import BUILD

        return BUILD, ("old", "new")
    if len(data) > 1:
        raise UsageError(
            f"gate: found {len(data)} files and {len(names)} names; "
            "allowed: two files and no names, or one file and two names."
        )
    if len(names) != 2 or names[0] == names[1]:
        raise UsageError("gate needs two different names, the old one and the new one, or two files with --data.")
    return factor, (names[0], names[1])


def _table(site: Path, data: list[Path], question: "Question") -> "AttemptTable":
    if len(data) == 2:
        from sitetest.comparing.data_file import read_data_file
        from sitetest.comparing.gating import two_builds

        old, new = (read_data_file(file, question.columns) for file in data)
        return two_builds(old, new)
    return attempts_to_analyse(site, data[0] if data else None, question)


def _write_junit(file: Path, report: "GateReport") -> None:
    from sitetest.report.gate_text import junit_document
    from sitetest.store.atomic_file import write_atomically

    try:
        write_atomically(file, junit_document(report))
    except OSError as problem:
        raise UsageError(f"--junit: {file} cannot be written: {problem.strerror or problem}.") from problem
