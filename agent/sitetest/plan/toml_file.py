"""Read one TOML file that people write. Every way in which that can fail is a ProfileError.

May import sitetest.errors, plan.mistakes and the standard library only.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

from sitetest.errors import ProfileError
from sitetest.plan.mistakes import escaped

LARGEST_FILE_BYTES = 1_000_000
"""A profile takes about a kilobyte; whatever is larger is another kind of file."""

_POSITION = re.compile(r"(?P<what>.*) \(at (?P<where>line \d+, column \d+|end of document)\)\Z", re.DOTALL)
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


def read_toml(file: Path) -> dict[str, Any]:
    """Return the tables of a file. Raises ProfileError naming the file, and the line where there is one."""
    shown = escaped(str(file))
    try:
        if not file.exists():
            raise ProfileError(f"{shown}: there is no such file")
        if not file.is_file():
            raise ProfileError(f"{shown}: this is not a file; allowed: a TOML file")
        with file.open("rb") as stream:
            content = stream.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as problem:
        raise ProfileError(f"{shown}: cannot be read: {getattr(problem, 'strerror', None) or problem}") from problem
    if len(content) > LARGEST_FILE_BYTES:
        raise ProfileError(f"{shown}: found more than {LARGEST_FILE_BYTES:,} bytes; allowed: a TOML file of that size")
    return _tables(_text(content, shown), shown)


def _text(content: bytes, shown: str) -> str:
    if content.startswith(_UTF16_MARKS):
        raise ProfileError(f"{shown}: found text in UTF-16; allowed: UTF-8", "Save the file as UTF-8.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = content.count(b"\n", 0, problem.start) + 1
        found = f"the byte 0x{content[problem.start]:02x}, which is not UTF-8"
        raise ProfileError(f"{shown}, line {line}: found {found}; allowed: UTF-8", "Save it as UTF-8.") from problem


def _tables(text: str, shown: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError as problem:
        raise ProfileError(f"{shown}: lists or tables are nested too deeply") from problem
    except ValueError as problem:  # TOMLDecodeError is one; so is what int() raises for thousands of digits
        position = _POSITION.match(str(problem))
        what = escaped(position["what"] if position else str(problem).split(";", maxsplit=1)[0])
        end = f"line {len(text.splitlines())}, at the end"
        where = position["where"].replace("end of document", end) if position else "somewhere"
        raise ProfileError(f"{shown}, {where}: this is not valid TOML: {what}") from problem
