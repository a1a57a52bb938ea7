"""What is wrong in a file that people write, said so that they can put it right: one line a mistake.

    profiles/basement.toml: matrix.ap_configs[2]: found "wide8"; allowed: "auto", "wide80"; did you mean "wide80"?

Promise: whatever the file holds, the line is short and printable. May import the standard library only.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from pathlib import Path

LONGEST_QUOTE = 60
"""Characters of something found that a message repeats; longest permitted name is 64, so a name stays recognisable."""

MOST_LISTED = 12
"""Names that a message lists before it goes on with "and 3 more"."""

LARGEST_SHOWN = 10**18
"""Whole numbers beyond this are called very large: Python refuses to write out what has thousands of digits."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake. key: dotted, with the place in arrays counted from 1. found, allowed, nearest: as shown; nearest may
    be None."""

    file: Path
    key: str
    found: str
    allowed: str
    nearest: str | None = None

    def __str__(self) -> str:
        line = f"{escaped(str(self.file))}: {self.key}: found {self.found}; allowed: {self.allowed}"
        return f"{line}; did you mean {self.nearest}?" if self.nearest else line


def escaped(text: str) -> str:
    """Return ``text`` with what is not printable written as an escape, so that no file can steer a terminal."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in text
    )


def quoted(text: str) -> str:
    """Return ``text`` in quotes, printable and cut to a readable length."""
    return f'"{escaped(text[:LONGEST_QUOTE])}{"..." if len(text) > LONGEST_QUOTE else ""}"'


def described(found: object) -> str:
    """Say what a TOML value is. Looks no deeper than one level: a file may nest thousands of tables."""
    match found:
        case str():
            shown = quoted(found)
        case bool():
            shown = str(found).lower()
        case int():
            shown = str(found) if abs(found) <= LARGEST_SHOWN else "a very large number"
        case float():
            shown = repr(found)
        case list():
            shown = f"a list of {len(found)}" if found else "an empty list"
        case dict():
            shown = "a table"
        case date() | time():
            shown = f"{found} (a date or time)"
        case _:
            shown = f"a {type(found).__name__}"
    return shown


def listed(names: Iterable[str]) -> str:
    """Return names in quotes, in the order given; a long list is cut."""
    known = list(names)
    shown = ", ".join(quoted(name) for name in known[:MOST_LISTED])
    return f"{shown} and {len(known) - MOST_LISTED} more" if len(known) > MOST_LISTED else shown


def nearest(written: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed name that was probably meant, or None. Upper and lower case are one."""
    candidates = {name.casefold(): name for name in allowed}
    close = get_close_matches(written[:LONGEST_QUOTE].casefold(), candidates, n=1)
    return candidates[close[0]] if close else None


def dotted(path: Sequence[str | int]) -> str:
    """Return a key as people say it: ``ap_config[2].band`` for the second table. Odd keys stand in quotes.

    path: with indices as programs count, from 0.
    """
    key = ""
    for part in path:
        if isinstance(part, int):
            key += f"[{part + 1}]"
            continue
        bare = part.isascii() and part.replace("_", "").replace("-", "").isalnum() and len(part) <= LONGEST_QUOTE
        key += ("." if key else "") + (part if bare else quoted(part))
    return key
