"""Answers about what is fit to measure, as text and as JSON. Pure. May import rich, report and errors."""

from collections.abc import Sequence
from typing import Any, Protocol

from rich.console import Group
from rich.table import Table
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


def checks_text(checks: Sequence[Answer], more: Sequence[str] = ()) -> Group:
    """Return a line for each answer, what to do below those that are no, ``more`` sentences and a conclusion."""
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for check in checks:
        line = Text(printable(check.name), style="bold")
        line.append(f": {printable(check.detail)}", style="not bold")
        table.add_row("ok" if check.ok else "stop" if check.stops is not None else "note", line)
        if check.next_step:
            table.add_row("", Text(f"Next: {printable(check.next_step)}"))
    told = [Text(), *(Text(printable(sentence)) for sentence in more)] if more else []
    return Group(table, *told, Text(), Text(conclusion(checks), style="bold"))


def conclusion(checks: Sequence[Answer]) -> str:
    """Say in one sentence whether a run may begin."""
    stops = sum(check.stops is not None for check in checks)
    notes = sum(not check.ok and check.stops is None for check in checks)
    if stops:
        return f"{count_text(stops, 'thing')} to put right before a run."
    return f"Fit to measure; {count_text(notes, 'note')} above." if notes else "Fit to measure."


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
