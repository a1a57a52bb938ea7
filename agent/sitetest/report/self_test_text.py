"""What ``sitetest selftest`` prints. May import comparing, report and rich."""

from collections.abc import Iterator

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sitetest.comparing.self_test import PLANNED_TURNS, SelfTest, SelfTestCase
from sitetest.report.printable import printable
from sitetest.report.wording import NOT_MEASURED, count_text


def self_test_screen(result: SelfTest) -> RenderableType:
    """Return the whole answer."""
    mark = "" if result.simulated is None else " (simulated)"
    title = f"{result.location}: {result.ap_config} against itself{mark}, {len(result.order)} turns {result.order}"
    parts: list[RenderableType] = [Text(printable(title), style="bold"), *map(Text, result.notes)]
    if not result.cases:
        return Group(*parts, Text("Too little was measured to say anything."))
    parts += [Text(), _table(result.cases), Text()]
    parts += [Text(line) for line in _lines(result)]
    return Group(*parts)


def _table(cases: tuple[SelfTestCase, ...]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("case", overflow="fold")
    headings = ("turns", "spread", "B over A", *(f"{turns} turns" for turns in PLANNED_TURNS))
    for heading in headings:
        table.add_column(heading, justify="right", no_wrap=True)
    for case in cases:
        verdict, spread, interval = case.verdict, case.spread, case.verdict.interval
        cells = [
            case.label,
            f"{verdict.a.valid}, {verdict.b.valid}",
            NOT_MEASURED
            if spread is None
            else f"{_share(spread.cv)} ({100 * spread.low:.1f} to {_share(spread.high)})",
            NOT_MEASURED
            if interval is None
            else f"{_signed(interval.ratio)} ({100 * (interval.low - 1):+.1f} to {_signed(interval.high)})",
            *(_found(one.difference) for one in case.found),
        ]
        table.add_row(*(Text(printable(cell)) for cell in cells))
    return table


def _lines(result: SelfTest) -> Iterator[str]:
    yield (
        "spread: coefficient of variation between turns, with its 95 % interval. B over A: the difference between two "
        f"sides that are the same. {_numbers()} turns: the smallest true difference that a campaign of "
        f"{count_text(result.rules.family_size, 'comparison')} with so many turns of each AP config finds four times "
        "in five, at this spread."
    )
    false = [case.label for case in result.cases if case.false_difference]
    if false:
        yield (
            f"Not quiet: a difference was shown that cannot be there ({', '.join(false)}). In {result.rules.alpha:.0%} "
            "of self-tests that is chance. Otherwise something changed from turn to turn: measure at a quieter hour, "
            "and look at the flags of the attempts before comparing anything here."
        )
    else:
        yield "No false difference was shown."
    lost = sum(case.verdict.a.invalid + case.verdict.b.invalid for case in result.cases)
    failed = sum(case.verdict.a.failed + case.verdict.b.failed for case in result.cases)
    if lost or failed:
        yield f"{count_text(lost, 'attempt')} invalid, {count_text(failed, 'turn')} failed."


def _numbers() -> str:
    *first, last = map(str, PLANNED_TURNS)
    return f"{', '.join(first)} and {last}"


def _found(difference: float | None) -> str:
    return "over 200 %" if difference is None else _share(difference)


def _share(share: float) -> str:
    return f"{100 * share:.1f} %"


def _signed(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.1f} %"
