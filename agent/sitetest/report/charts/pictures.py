"""Charts as PNG files. May import matplotlib, report, errors and the standard library only."""

import re
from collections.abc import Sequence
from pathlib import Path

from sitetest.errors import UsageError
from sitetest.report.charts.chart import Chart
from sitetest.report.printable import printable

_NOT_IN_NAMES = re.compile(r"[^0-9a-z]+")


def write_pictures(charts: Sequence[Chart], folder: Path) -> tuple[Path, ...]:
    """Write each chart as a PNG file, numbered as they stand on the page, and return the files.

    Raises UsageError for a folder that cannot be written to."""
    paths = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, chart in enumerate(charts, start=1):
            words = _NOT_IN_NAMES.sub("-", chart.title.lower()).strip("-")[:60].strip("-")
            path = folder / f"{number:02}-{words or 'chart'}.png"
            chart.figure.savefig(path, dpi=150, metadata={"Title": printable(chart.text), "Software": "sitetest"})
            paths.append(path)
    except OSError as problem:
        raise UsageError(
            f"{folder} cannot be written to: {problem.strerror or problem}.", "Name another --png."
        ) from problem
    return tuple(paths)
