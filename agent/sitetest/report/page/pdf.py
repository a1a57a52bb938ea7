"""The page as a PDF file, by WeasyPrint, which is an extra: `pip install 'sitetest[pdf]'`.

Nothing is fetched while it is made. May import weasyprint (inside), errors and the standard library only.
"""

import logging
from pathlib import Path
from typing import Any, NoReturn

from sitetest.errors import UsageError
from sitetest.store.atomic_file import write_atomically

HOW_TO_GET_IT = (
    "Install it with `pip install 'sitetest[pdf]'`; it needs the system library Pango (Debian and Ubuntu: "
    "`apt install libpango-1.0-0 libpangoft2-1.0-0`; macOS with Homebrew: `brew install pango`; Windows: see its own "
    "instructions). Or print the HTML file from any browser, and choose PDF there."
)


def write_pdf(html: str, path: Path) -> None:
    """Write the page. Raises UsageError when WeasyPrint or its system libraries are missing, or the file cannot be
    written."""
    try:
        from weasyprint import HTML  # noqa: PLC0415  an extra, and it loads slowly
    except (ImportError, OSError) as problem:  # OSError: the package is there and a system library is not
        raise UsageError(f"A PDF cannot be made: WeasyPrint is missing ({problem}).", HOW_TO_GET_IT) from problem
    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it warns of what it does not need in pictures
    on_paper = html.replace("currentColor", "#000").replace("var(--paper, white)", "#fff")
    content: Any = HTML(string=on_paper, url_fetcher=_refuse).write_pdf()
    try:
        write_atomically(path, content)
    except OSError as problem:
        raise UsageError(
            f"{path} cannot be written: {problem.strerror or problem}.", "Name another --pdf."
        ) from problem


def _refuse(url: str, *_: object, **__: object) -> NoReturn:
    raise ValueError(f"nothing is fetched for a report: {url}")
