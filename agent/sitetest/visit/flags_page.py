"""`docs/flags.md`, made from the flag table:  python -m sitetest.visit.flags_page docs/flags.md

A test fails when the file on disk is not what this module makes. May import visit.flag_table and the standard library
only.
"""

import sys
from pathlib import Path

from sitetest.visit.flag_table import NOT_LOOKED_AT, ROWS, Row, Severity

_INTRODUCTION = """\
<!-- Made by `python -m sitetest.visit.flags_page docs/flags.md`; do not edit. -->

# Flags: what may explain a figure

Beside every transfer `sitetest` looks at the link, at both computers and at the wire. What may explain the figure, or
spoil it, becomes a named flag of the attempt, with what was seen in words.

| severity | what it means |
|---|---|
| `invalid` | the attempt did not measure its case: tried again at once, at most twice (docs/method.md) |
| `doubt` | kept, and left out of estimates and verdicts; it is not tried again |
| `note` | kept and counted |

- No flag looks at whether a figure is nice. A flag that comes more often with fast or with slow transfers is only ever
  a note, since leaving such attempts out would pick the others.
- A flag that cannot be evaluated is listed as *unknown* for that attempt (on macOS without the location permission, for
  one, `roamed`), never left out silently. Rows about a radio do not apply to a transfer over a cable.
- "The first counted attempt" is that of the same AP config and leg in the same visit (of the same case for
  `tcp_differs`).
- An attempt that has *failed* stays so whatever flags it carries, but for `suspended`: a laptop that slept says nothing
  about an access point.
- Other flags come from the engine's own report and from what the network answered: `path_changed`, `shared`,
  `laptop_saturated`, `stall`, `clock_step`, `outlier` and more ([method.md](method.md), [measuring.md](measuring.md)).

## The table
"""

_WRONG_RADIO = """\

## The wrong access point

After the association of a turn, before its first transfer, one look at the laptop's link is held against what
`site.toml` declares for the AP config: the BSSIDs of its access point, band, channel and width. What is not declared,
is "auto", or is not told by the system is not compared. Where something differs, the run stops with a question:

- **Somebody is there:** look again (Enter), go on all the same (`g`), or stop (`s`). Attempts of a turn that went on
  are kept and flagged (`wrong_radio` or `width_fallback`, in doubt). Going on is not asked again while the laptop stays
  on that same radio.
- **`--yes`, nobody is there:** the link is looked at three times, five seconds apart. Then the run ends with exit code
  2; all that was measured is kept, and `--resume` goes on. Where the same AP config was seen as declared earlier in the
  run, the file is right and the laptop strayed: only that turn is lost, and replaced at the end of its quad.

During a turn a laptop on another radio than declared makes the attempt invalid (`wrong_radio`).

## Not looked at

Nothing here reads these yet, though they can spoil a comparison too: {not_looked_at}.
"""


def flags_page() -> str:
    """Return the whole page."""
    return "\n".join(
        (
            _INTRODUCTION,
            "| flag | severity | raised when | why | threshold |",
            "|---|---|---|---|---|",
            *(_line(row) for row in ROWS),
            _WRONG_RADIO.format(not_looked_at="; ".join(NOT_LOOKED_AT)),
        )
    )


def _line(row: Row) -> str:
    return f"| `{row.name}` | {_severity(row.severity, row.otherwise)} | {row.raised_when} | {row.why} | {row.source} |"


def _severity(usual: Severity, otherwise: tuple[Severity, str] | None) -> str:
    return f"`{usual}`" if otherwise is None else f"`{usual}`; `{otherwise[0]}` when {otherwise[1]}"


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(flags_page(), encoding="utf-8")
