"""Results on a terminal: records in, renderables out. Pure: no clock, no file, no stream.

Every table says n, the typical value and the spread, and nothing about which is better: that is for a verdict, which
needs more than a table. Names are shown as written: never as markup, never moving a cursor.
May import rich, report, store.records and the standard library only.
"""

from collections.abc import Sequence
from itertools import groupby

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from sitetest.report.advice import CODE_ADVICE, SIMULATED, conditions, is_blemished, is_made_good, next_action
from sitetest.report.case_label import CaseLabel
from sitetest.report.case_summary import CaseSummary, case_summaries
from sitetest.report.printable import printable
from sitetest.report.wording import NOT_MEASURED, count_text, rate_text
from sitetest.store.records import AttemptRecord, Status

MARK_SIMULATED = "simulated"
NO_VERDICT = "n, typical value and spread only: no verdict is drawn from them."
LEGEND = "Mbit/s; typical: median of n; spread: coefficient of variation."


def visit_results(site: str, attempts: Sequence[AttemptRecord], simulated: str | None) -> RenderableType:
    """Return what the person sees at the end of a run: a table for each location, then all that needs a second look."""
    parts: list[RenderableType] = []
    for location, records in _by_location(attempts):
        label = CaseLabel.telling_apart(records)
        parts += [_title(f"{location} - {site}", simulated), _case_table(case_summaries(records), label), Text()]
    if not parts:
        return Text("Nothing was measured.")
    return Group(*parts, Text(LEGEND, style="dim"), *_second_look(attempts))


def comparison(site: str, attempts: Sequence[AttemptRecord], ap_configs: Sequence[str], simulated: str | None) -> Group:
    """Return the AP configs side by side, case by case, and what their typical values differ by.

    ap_configs: in the order to show; of two, the difference is the second less the first.
    """
    label = CaseLabel.telling_apart(attempts)
    parts: list[RenderableType] = []
    for location, records in _by_location(attempts):
        parts.append(_title(f"{location} - {site}", simulated))
        summaries = sorted(case_summaries(records), key=lambda summary: summary.key)
        for _, same in groupby(summaries, key=lambda summary: summary.key):
            cases = sorted(same, key=lambda summary: _place(summary.ap_config, ap_configs))
            parts += [Text(), Text(" ".join(label.without_ap_config(cases[0])), style="bold")]
            parts += [_config_table(cases), *_difference(cases)]
    return Group(*parts, Text(), Text(LEGEND, style="dim"), Text(NO_VERDICT), *_second_look(attempts))


def _by_location(attempts: Sequence[AttemptRecord]) -> list[tuple[str, list[AttemptRecord]]]:
    places: dict[str, list[AttemptRecord]] = {}
    for record in attempts:
        places.setdefault(record.location, []).append(record)
    return list(places.items())


def _title(text: str, simulated: str | None) -> Text:
    title = Text(printable(text), style="bold")
    if simulated:
        told = printable(simulated)
        mark = told if told.startswith(MARK_SIMULATED) else f"{MARK_SIMULATED}: {told}"
        title.append(f"\n{mark}", style="not bold")
    return title


def _new_table(first: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column(first, overflow="fold")
    table.add_column("n", justify="right", no_wrap=True)
    table.add_column("typical", justify="right", no_wrap=True)
    table.add_column("spread", justify="right", no_wrap=True)
    return table


def _case_table(summaries: Sequence[CaseSummary], label: CaseLabel) -> Table:
    table = _new_table("case")
    for summary in summaries:
        _add_row(table, label.of(summary), summary)
    return table


def _config_table(summaries: Sequence[CaseSummary]) -> Table:
    table = _new_table("AP config")
    for summary in summaries:
        _add_row(table, summary.ap_config, summary)
    return table


def _add_row(table: Table, name: str, summary: CaseSummary) -> None:
    cells = [printable(name), str(summary.n), rate_text(summary.typical_mbps), _spread(summary)]
    table.add_row(*(Text(cell) for cell in cells))
    misses = _misses(summary)
    if misses:
        table.add_row(Text(f"  {misses}"))


def _spread(summary: CaseSummary) -> str:
    return NOT_MEASURED if summary.spread_pct is None else f"{summary.spread_pct:.1f} %"


def _misses(summary: CaseSummary) -> str:
    counted = [
        (summary.failed, "failed"),
        (summary.invalid, "invalid"),
        (summary.interrupted, "interrupted"),
        (summary.flagged, "flagged"),
    ]
    return ", ".join(f"{count} {word}" for count, word in counted if count)


def _place(ap_config: str, order: Sequence[str]) -> int:
    return order.index(ap_config) if ap_config in order else len(order)


def _difference(cases: Sequence[CaseSummary]) -> list[Text]:
    """Say what the typical values of two AP configs differ by; nothing when there are not two, or one has no value."""
    if len(cases) != 2:
        return []
    first, second = cases
    if first.typical_mbps is None or second.typical_mbps is None:
        return [Text("difference: none to state, one side has no measurement that counts")]
    gap = second.typical_mbps - first.typical_mbps
    share = f" ({gap / first.typical_mbps:+.1%})".replace("%", " %") if first.typical_mbps > 0 else ""
    names = f"{printable(second.ap_config)} less {printable(first.ap_config)}"
    return [Text(f"{names}, typical values: {gap:+.1f} Mbit/s{share}")]


def _second_look(attempts: Sequence[AttemptRecord]) -> list[RenderableType]:
    """Repeat at the end every failure and doubt, then what was noted of the conditions, each with what to do next."""
    blemished = [record for record in attempts if is_blemished(record)]
    lines: list[RenderableType] = [Text("No attempt failed or is in doubt.")]
    if blemished:
        lines = [Text(), Text(f"{count_text(len(blemished), 'attempt')} to look at again:", style="bold")]
    label = CaseLabel.telling_apart(attempts)
    for record in blemished:
        value = f", {rate_text(record.throughput_mbps)} Mbit/s" if record.status is Status.OK else ""
        what = f"{label.of(record)}, turn {record.turn}, try {record.attempt}: {record.status}{value}"
        reasons = [record.reason] if record.reason else []
        told = {SIMULATED, record.reason.partition(":")[0]}
        reasons += [f"{flag.name}: {flag.reason}" for flag in record.flags if flag.name not in told]
        lines.append(_indented(what, 2))
        lines += [_indented(reason, 4) for reason in reasons]
        lines.append(_indented(f"Next: {next_action(record, is_made_good(record, attempts))}", 4))
    return [*lines, *_conditions(attempts)]


def _conditions(attempts: Sequence[AttemptRecord]) -> list[RenderableType]:
    noted = conditions(attempts)
    if not noted:
        return []
    count_ok = sum(record.status is Status.OK for record in attempts)
    lines: list[RenderableType] = [Text(), Text("Noted of the conditions; these attempts count:", style="bold")]
    for flag, count in noted:
        lines.append(_indented(f"{flag.name} on {count} of {count_ok}, the last: {flag.reason}", 2))
        if flag.name in CODE_ADVICE:
            lines.append(_indented(f"Next: {CODE_ADVICE[flag.name]}", 4))
    return lines


def _indented(text: str, columns: int) -> Padding:
    return Padding(Text(printable(text)), (0, 0, 0, columns))
