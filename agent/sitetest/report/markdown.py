"""The document as Markdown, for tickets: the same sentences and tables as the page, without its pictures.

Tables are those of GitHub Flavored Markdown. What others wrote is escaped: it is text, never markup, and stays in its
cell. Pure. May import report and the standard library only.
"""

import re
from collections.abc import Iterator, Sequence

from sitetest.report.page.contents import Page, Table
from sitetest.report.printable import printable

_MARKUP = re.compile(r"([\\`*_{}\[\]<>#+!|~&$:@-])")


def plain(text: str) -> str:
    """Return a text that Markdown shows as it is, on one line: every character with a meaning has a backslash before it
    (CommonMark 0.31, 2.4), so that no link, name or address in it is made into one."""
    return _MARKUP.sub(r"\\\1", printable(text))


def markdown_of(page: Page) -> str:
    """Return the document."""
    return "\n".join(_lines(page)) + "\n"


def _lines(page: Page) -> Iterator[str]:
    first = page.first
    yield f"# {plain(page.title)}"
    yield ""
    if page.simulated:
        yield f"**Simulated.** {plain(page.simulated)}. None of these figures is of a real network."
        yield ""
    yield f"## {plain(first.question)}"
    yield ""
    yield plain(first.headline)
    for answer in first.answers:
        yield ""
        yield f"**{plain(answer.location)}**" + (f": {plain(answer.sentence)}" if len(first.answers) > 1 else "")
        yield ""
        yield from _listed(answer.details)
        if answer.settle:
            yield ""
            yield "What would settle it:"
            yield ""
            yield from _listed(answer.settle)
    yield ""
    yield f"**Recommendation**: {plain(first.recommendation)}"
    for title, lines in (
        ("It rests on:", first.rests_on),
        ("It does not rest on:", first.not_on),
        ("What is needed here:", first.needs),
        ("Cost:", first.costs),
        ("Cautions:", page.cautions),
        ("What could not be said:", page.notes),
    ):
        if lines:
            yield ""
            yield title
            yield ""
            yield from _listed(lines)
    yield from _sections(page)
    yield ""
    made = f"Made {page.made_at} UTC by sitetest {page.version}"
    yield f"{plain(made)} from {plain(page.source)} (SHA-256 {page.checksum}):"
    yield ""
    yield f"    {printable(page.command)}"


def _sections(page: Page) -> Iterator[str]:
    if page.verdicts is not None:
        yield from _table("Every comparison", page.verdicts)
    if page.before is not None:
        yield from _table("Before and now", page.before)
    for place in page.locations:
        yield ""
        yield f"## {plain(place.location)}"
        for case in place.cases:
            yield ""
            yield f"### {plain(case.heading)}"
            yield ""
            yield plain(case.chart.text)
            yield ""
            yield from _listed((*case.verdicts, *case.binds))
        yield from _table("", place.latency)
    for night in page.nights:
        yield ""
        yield f"## Night alone: {plain(night.heading)}"
        yield ""
        yield from _listed(night.sentences)
        yield from _table("", night.dropouts)
    yield from _table("What needs a second look", page.second_look)
    yield from _table("Conditions", page.conditions)


def _listed(lines: Sequence[str]) -> Iterator[str]:
    return (f"- {plain(line)}" for line in lines)


def _table(heading: str, table: Table) -> Iterator[str]:
    yield ""
    if heading:
        yield f"## {heading}"
        yield ""
    yield plain(table.caption)
    yield ""
    yield f"| {' | '.join(map(plain, table.head))} |"
    yield f"|{'|'.join('--:' if place in table.numbers else '---' for place in range(len(table.head)))}|"
    for row in table.rows or (("None.", *[""] * (len(table.head) - 1)),):
        yield f"| {' | '.join(map(plain, row))} |"
