"""The kinds of value that site.toml and profiles hold. Each is one check that knows how to say what it allows.

A check takes what TOML gives (text, whole number, number, true/false, list, table, date) and returns the value to keep,
or raises what :func:`refused` makes. Nothing is converted silently: "5" is not 5, and 1 is not true.

May import pydantic, plan.mistakes, plan.server_address, errors and the standard library only.
"""

import re
import shlex
from collections.abc import Callable
from enum import StrEnum
from typing import Any
from unicodedata import normalize
from urllib.parse import SplitResult, urlsplit

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from sitetest.errors import UsageError
from sitetest.plan.mistakes import described, listed, nearest, quoted
from sitetest.plan.server_address import names_a_host, parse_server_address

REFUSED = "refused"
"""Type of the pydantic error that a check raises; its context holds ``allowed``, ``found`` and ``nearest``."""

LONGEST_NAME = 64
FORMULA_STARTS = "=+-@"
"""A spreadsheet takes text that begins with one of these for a formula; names end up in CSV files."""

JOINERS = "\u200c\u200d"
"""Zero-width non-joiner and joiner: not printable by Unicode's classes, but correct spelling in some scripts."""

LONGEST_URL = 2000
LONGEST_COMMAND = 4096
"""Characters: far beyond what anybody types, far below what a system refuses."""

NAME_RULE = f"1 to {LONGEST_NAME} printable characters, no space at either end, not starting with one of = + - @"
BSSID = re.compile(r"[0-9a-f]{2}([:-])(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}")


def refused(
    allowed: str,
    *,
    found: str | None = None,
    nearest_name: str | None = None,
    key: str | None = None,
    beside: tuple[str, object, str] | None = None,
) -> PydanticCustomError:
    """Make the error of a check.

    found: None lets the value speak for itself. key: below the value's own, to add.
    beside: another key of the same table that the value contradicts, what stands there, and what would be allowed
    there: that one is blamed where it is the one that the extending file wrote."""
    context = {"allowed": allowed, "found": found, "nearest": nearest_name, "key": key, "beside": beside}
    return PydanticCustomError(REFUSED, "allowed: {allowed}", context)


def canonical(name: str) -> str:
    """Return a name in the one spelling in which names are kept and compared (Unicode form NFC): the same letters
    typed on two systems are the same name."""
    return normalize("NFC", name)


def is_name(text: str) -> bool:
    """Tell whether people may call something so."""
    return (
        0 < len(text) <= LONGEST_NAME and text == text.strip() and text[0] not in FORMULA_STARTS and _is_printable(text)
    )


def _is_printable(text: str) -> bool:
    return all(character.isprintable() or character in JOINERS for character in text)


def a_name(what: str = "a name") -> BeforeValidator:
    """Text that names something."""

    def check(value: object) -> str:
        if not isinstance(value, str) or not is_name(canonical(value)):
            raise refused(f"{what}: {NAME_RULE}")
        return canonical(value)

    return BeforeValidator(check)


def sentence(what: str, longest: int) -> BeforeValidator:
    """Printable text of up to ``longest`` characters that says something in words."""

    def check(value: object) -> str:
        if not isinstance(value, str) or not 0 < len(value.strip()) <= longest or not _is_printable(value):
            raise refused(f"{what}: text of up to {longest} printable characters")
        return canonical(value.strip())

    return BeforeValidator(check)


def whole(lowest: int, highest: int) -> BeforeValidator:
    """A whole number within bounds, both included."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
            raise refused(f"a whole number from {lowest} to {highest}")
        return value

    return BeforeValidator(check)


def number(lowest: float, highest: float) -> BeforeValidator:
    """A number within bounds, both included; nan and inf are outside of any."""

    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            raise refused(f"a number from {lowest:g} to {highest:g}")
        return float(value)

    return BeforeValidator(check)


def one_of(words: type[StrEnum]) -> BeforeValidator:
    """One word of an enumeration, as text."""
    allowed = [word.value for word in words]

    def check(value: object) -> StrEnum:
        if not isinstance(value, str) or value not in allowed:
            raise _not_among(value, allowed)
        return words(value)

    return BeforeValidator(check)


def one_text_of(*allowed: str) -> BeforeValidator:
    """One of a few texts."""

    def check(value: object) -> str:
        if not isinstance(value, str) or value not in allowed:
            raise _not_among(value, allowed)
        return value

    return BeforeValidator(check)


def auto_or(numbers: range | tuple[int, ...], what: str) -> BeforeValidator:
    """The text "auto", or one of some whole numbers."""

    def check(value: object) -> int | str:
        if value == "auto" or (isinstance(value, int) and not isinstance(value, bool) and value in numbers):
            return value
        raise refused(f'"auto", or {what} (a number, without quotes)')

    return BeforeValidator(check)


def several(what: str, most: int, *, least: int = 1) -> BeforeValidator:
    """A list of ``least`` to ``most`` entries without two equal texts. what: the entries, for messages."""
    allowed = f"a list of {least} to {most} {what}"

    def check(value: object) -> object:
        if not isinstance(value, list) or not least <= len(value) <= most:
            raise refused(allowed)
        seen: set[str] = set()
        for entry in value:
            if isinstance(entry, str) and canonical(entry) in seen:
                raise refused(f"{allowed}, each once", found=f"{quoted(entry)} twice")
            seen |= {canonical(entry)} if isinstance(entry, str) else set()
        return value

    return BeforeValidator(check)


def tables(heading: str, most: int) -> BeforeValidator:
    """An array of tables with at least one entry."""

    def check(value: object) -> object:
        if not isinstance(value, list) or not 1 <= len(value) <= most:
            raise refused(f"1 to {most} tables, each under its own heading {heading}")
        return value

    return BeforeValidator(check)


def checked(check: Callable[[object], Any]) -> BeforeValidator:
    """One of the checks below."""
    return BeforeValidator(check)


def yes_or_no(value: object) -> bool:
    """One of TOML's own two."""
    if not isinstance(value, bool):
        raise refused("true or false, without quotes")
    return value


def bssid(value: object) -> str:
    """A BSSID (IEEE 802 MAC address); kept in lower case with colons."""
    text = value.lower() if isinstance(value, str) else ""
    if not BSSID.fullmatch(text):
        raise refused('six pairs of hexadecimal digits, as in "02:00:00:aa:bb:01"')
    return text.replace("-", ":")


def congestion_control_name(value: object) -> str:
    """Name of a TCP congestion control; Linux keeps at most 15 characters (TCP_CA_NAME_MAX is 16 with the NUL)."""
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9_-]{1,15}", value):
        raise refused('the name of a congestion control, as in "cubic": 1 to 15 letters, digits, _ or -')
    return value


def command(value: object) -> tuple[str, ...]:
    """A program and its arguments, as a list or as one text in shell quoting; no shell ever sees it. Empty: none."""
    allowed = "a command as text or as a list of texts"
    if isinstance(value, str):
        try:
            value = shlex.split(value)
        except ValueError as problem:
            raise refused(f"{allowed}, with every quote closed ({str(problem).lower()})") from problem
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise refused(allowed)
    if sum(map(len, value)) > LONGEST_COMMAND:
        raise refused(f"{allowed} of at most {LONGEST_COMMAND} characters")
    if value and not value[0].strip():
        raise refused(f"{allowed}, the program first", found="an empty program name")
    if any("\0" in word for word in value):
        raise refused(f"{allowed}, without NUL characters")
    return tuple(value)


def lan_server(value: object) -> str:
    """ "auto", HOST, HOST:PORT, [IPV6]:PORT or the base URL of a test server."""
    allowed = '"auto", a host name or address, HOST:PORT, or a URL that starts with http:// or https://'
    return "auto" if value == "auto" else _server_address(value, allowed)


def base_url(value: object) -> str | None:
    """The base URL of a test server, kept without a slash at its end; None for an empty text."""
    allowed = (
        "the base URL of a test server without user name, password, ? and #, as in "
        '"https://far.example:17300", or "" for none'
    )
    if value == "":
        return None
    if isinstance(value, str) and "://" not in value:
        raise refused(allowed)
    return _server_address(value, allowed)


def download_url(value: object) -> str | None:
    """The URL of something large that may be fetched; None for an empty text."""
    allowed = 'a URL that starts with http:// or https:// and that you may use, or "" for none'
    if value == "":
        return None
    if not isinstance(value, str) or not _plain(value):
        raise refused(allowed)
    parts = _split(value, allowed)
    if parts.scheme not in {"http", "https"} or parts.fragment or not names_a_host(parts):
        raise refused(f"{allowed}; without user name, password and #")
    return value


def _not_among(value: object, allowed: list[str] | tuple[str, ...]) -> PydanticCustomError:
    near = nearest(value, allowed) if isinstance(value, str) else None
    return refused(listed(allowed), found=described(value), nearest_name=quoted(near) if near else None)


def _plain(text: str) -> bool:
    return 0 < len(text) <= LONGEST_URL and all(mark.isprintable() and not mark.isspace() for mark in text)


def _split(url: str, allowed: str) -> SplitResult:
    try:
        return urlsplit(url)
    except ValueError as problem:
        raise refused(allowed) from problem


def _server_address(value: object, allowed: str) -> str:
    if not isinstance(value, str) or not _plain(value):
        raise refused(allowed)
    try:
        parse_server_address(value)
    except UsageError as problem:
        raise refused(allowed) from problem
    return value.rstrip("/")
