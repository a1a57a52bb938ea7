"""`docs/columns.md`, made from the field registry:  python -m sitetest.store.columns_page docs/columns.md

A test fails when the file on disk is not what this module makes. May import the registry and the standard library only.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

from sitetest.store.fields import (
    ATTEMPT_FIELDS,
    BASELINE_FIELDS,
    EVENT_FIELDS,
    OBSERVATION_FIELDS,
    SCHEMA_VERSION,
    SECOND_FIELDS,
    WATCH_SECOND_FIELDS,
    Field,
)

_INTRODUCTION = """\
<!-- Made by `python -m sitetest.store.columns_page docs/columns.md`; do not edit. -->

# Columns

This is format {version} of the tables that `sitetest` writes: `results/results.csv` and what `sitetest export` makes.
`results/site.sqlite` is the truth; `results.csv` is a picture of it, written again after each attempt (in a soak up to
five minutes later, and at its end). Edits made in it are never read back, and are gone after the next attempt.

How values are written in CSV:

- An empty cell means not measured, never zero.
- Numbers are written in full, with a point: reading them as 64-bit floats gives exactly what was stored. Nothing is
  rounded.
- Times are UTC in ISO 8601 with microseconds and offset. `true` and `false` are written so. Lists are separated by `;`.
- Line breaks inside a text become a space: one row is one line. A text that a spreadsheet would take for a formula
  (it begins with `=`, `+`, `-` or `@`) has an apostrophe in front; so has one that begins with apostrophes before such
  a character. Take one apostrophe away to have the text itself; Parquet has it as it is.
- UTF-8, commas, quotes and line ends as in RFC 4180.

*Must match*: attempts in which the column differs may not be pooled or compared without saying so, unless it is the
compared column itself. *Where known*: an empty cell (`none` in `link_source`) agrees with any value; elsewhere an empty
cell is a value like any other.
"""


def columns_page() -> str:
    """Return the whole page."""
    promised = _index("schema_version") + 1
    return "\n".join(
        (
            _INTRODUCTION.format(version=SCHEMA_VERSION),
            "## Attempts: one row an attempt",
            "",
            "Scripts may rely on these names and on their order:",
            "",
            *_table(ATTEMPT_FIELDS[:promised]),
            "",
            "These follow them; more may come:",
            "",
            *_table(ATTEMPT_FIELDS[promised:]),
            "",
            "## Seconds: one row a second of an attempt (`sitetest export` only)",
            "",
            *_table(SECOND_FIELDS),
            "",
            "What observers saw is lined up with the second to within about a tenth of one.",
            "",
            "## Observations: one row a record of an observer (`sitetest export` only)",
            "",
            *_table(OBSERVATION_FIELDS),
            "",
            "## Baselines: one row a measurement of the wire alone (`sitetest export` only)",
            "",
            *_table(BASELINE_FIELDS),
            "",
            "## Watch seconds: one row a second of the watch of a soak (`sitetest export` only)",
            "",
            *_table(WATCH_SECOND_FIELDS),
            "",
            "## Events: one row an event of a visit (`sitetest export` only)",
            "",
            *_table(EVENT_FIELDS),
            "",
        )
    )


def _index(name: str) -> int:
    return [field.name for field in ATTEMPT_FIELDS].index(name)


def _table(fields: Sequence[Field]) -> list[str]:
    return [
        "| column | type | unit | must match | meaning |",
        "|---|---|---|---|---|",
        *(
            f"| `{field.name}` | {field.type} | {field.unit or ''} | {_must_match(field)} | {_meaning(field)} |"
            for field in fields
        ),
    ]


def _must_match(field: Field) -> str:
    if not field.must_match:
        return ""
    return "yes" if field.not_known is None else "where known"


def _meaning(field: Field) -> str:
    notes = [field.meaning]
    if field.allowed:
        notes.append("One of " + ", ".join(f"`{value}`" for value in field.allowed) + ".")
    if field.required:
        notes.append("Never empty.")
    if field.since > 1:
        notes.append(f"Since format {field.since}.")
    return " ".join(notes)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(columns_page(), encoding="utf-8")
