"""Writes the document for the client, and its other kinds: the same for ``report`` and ``demo``.

May import report, store, errors and the standard library only; pandas and matplotlib come with the page.
"""

import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sitetest import __version__
from sitetest.errors import UsageError
from sitetest.report.charts.pictures import write_pictures
from sitetest.report.markdown import markdown_of
from sitetest.report.page.contents import charts_of, page
from sitetest.report.page.gathering import gather
from sitetest.report.page.known import Asked
from sitetest.report.page.pdf import write_pdf
from sitetest.report.page.rendering import html_of
from sitetest.store.atomic_file import write_atomically

REPORT_NAME = "report.html"
STANDARD_OUTPUT = "-"


@dataclass(frozen=True, slots=True)
class DocumentWishes:
    """What the command line says. command: that makes the document again. output: None for ``results/report.html``.
    pdf, markdown (STANDARD_OUTPUT prints it), png: None when not asked for. The rest as in
    :class:`~sitetest.report.page.known.Asked`."""

    site_dir: Path
    command: str
    output: Path | None = None
    pdf: Path | None = None
    markdown: str | None = None
    png: Path | None = None
    factor: str = "ap_config"
    names: tuple[str, ...] = ()
    before: Path | None = None
    attempt: str | None = None
    question: str = ""


def write_client_document(wishes: DocumentWishes) -> Path:
    """Write it and return where the page is. Raises UsageError, DataFileError, StoreError."""
    asked = Asked(
        factor=wishes.factor,
        names=wishes.names,
        made_at=datetime.now(UTC),
        command=wishes.command,
        sitetest_version=__version__,
        question=wishes.question,
        before=wishes.before,
        attempt=wishes.attempt,
    )
    known = gather(wishes.site_dir, asked)
    told = page(known, asked)
    where = wishes.output or known.source.path.with_name(REPORT_NAME)
    html = html_of(told)
    _write(html, where, "--output")
    if wishes.pdf is not None:
        write_pdf(html, wishes.pdf)
    if wishes.png is not None:
        write_pictures(charts_of(told), wishes.png)
    if wishes.markdown == STANDARD_OUTPUT:
        sys.stdout.write(markdown_of(told))
    elif wishes.markdown is not None:
        _write(markdown_of(told), Path(wishes.markdown), "--markdown")
    return where


def _write(text: str, path: Path, option: str) -> None:
    try:
        write_atomically(path, text.encode("utf-8", "backslashreplace"))
    except OSError as problem:
        raise UsageError(
            f"{path} cannot be written: {problem.strerror or problem}.", f"Name another {option}."
        ) from problem
