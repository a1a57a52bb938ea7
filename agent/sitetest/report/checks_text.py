"""The answers of ``sitetest check`` as text and as JSON. Pure. May import rich, report, visit's Check by its shape."""

from collections.abc import Sequence
from typing import Any, Protocol

from rich.console import Group
from rich.text import Text

from sitetest.errors import SitetestError
from sitetest.report.printable import printable
from sitetest.report.wording import count_text


class Answer(Protocol):
    """One answer: see `visit/preflight.py`."""

    @property
    def name(self) -> str: ...
    @property
    def ok(self) -> bool: ...
    @property
    def detail(self) -> str: ...
    @property
    def next_step(self) -> str: ...
    @property
    def stops(self) -> SitetestError | None: ...


def checks_text(checks: Sequence[Answer]) -> Group:
    """Return a line for each answer, what to do below those that are no, and a conclusion."""
    lines = []
    for check in checks:
        mark = "ok  " if check.ok else "stop" if check.stops is not None else "note"
        line = Text(f"{mark}  ")
        line.append(printable(check.name), style="bold")
        line.append(f": {printable(check.detail)}")
        lines.append(line)
        if check.next_step:
            lines.append(Text(f"      Next: {printable(check.next_step)}"))
    stops = sum(check.stops is not None for check in checks)
    conclusion = f"{count_text(stops, 'thing')} to put right before a run." if stops else "Fit to measure."
    return Group(*lines, Text(), Text(conclusion, style="bold"))


def checks_document(checks: Sequence[Answer]) -> dict[str, Any]:
    """Return the same as a JSON-ready mapping."""
    return {
        "fit": all(check.stops is None for check in checks),
        "checks": [
            {
                "name": check.name,
                "ok": check.ok,
                "stops": check.stops is not None,
                "detail": check.detail,
                "next_step": check.next_step,
            }
            for check in checks
        ],
    }
