"""Text that others wrote, made safe to show: names from files, from the server, from the network.

Promise: what comes out moves no cursor, changes no colour, rings no bell and reorders nothing around it. Letters of
every script stay as they are. May import the standard library only.
"""

import unicodedata

_STAND_IN = "\N{REPLACEMENT CHARACTER}"
_BIDI_CONTROLS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Unicode's explicit direction marks (UAX 9, table 1): they would turn round the text that stands beside them."""


def printable(text: str, keep_lines: bool = False) -> str:
    """Return ``text`` with control characters, direction marks and lone surrogates replaced by U+FFFD.

    Tabs become spaces. Line breaks become spaces as well, unless ``keep_lines`` is set.
    """
    return "".join(_shown(character, keep_lines) for character in text)


def _shown(character: str, keep_lines: bool) -> str:
    if character == "\n":
        return character if keep_lines else " "
    if character == "\t":
        return " "
    if character in _BIDI_CONTROLS or unicodedata.category(character) in {"Cc", "Cs", "Zl", "Zp"}:
        return _STAND_IN
    return character
