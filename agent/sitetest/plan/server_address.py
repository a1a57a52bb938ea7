"""Where a test server is: ``HOST``, ``HOST:PORT`` or a base URL, as people write it.

    counter-server            http://counter-server:17300
    192.0.2.7:9000            http://192.0.2.7:9000
    2001:db8::7               http://[2001:db8::7]:17300
    [2001:db8::7]:9000        http://[2001:db8::7]:9000
    https://far.example/test  port 443, and every route below /test

A URL keeps the meaning that URLs have (port 80 or 443 when it names none), so that a server behind a reverse proxy can
be named; a bare host means our own port. Pure. May import sitetest_wire, sitetest.errors and the standard library only.
"""

import re
from dataclasses import dataclass
from ipaddress import IPv6Address
from urllib.parse import SplitResult, urlsplit

from sitetest.errors import UsageError
from sitetest_wire.messages import DEFAULT_PORT

URL_PORTS = {"http": 80, "https": 443}
HOST = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9_.-]*[A-Za-z0-9_.])?")
_ALLOWED = "allowed is HOST, HOST:PORT, [IPV6]:PORT or a URL that starts with http:// or https://"


@dataclass(frozen=True, slots=True)
class ServerAddress:
    """A server's address. host: without brackets. path: what every route is below; empty, or starts with a slash."""

    host: str
    port: int
    scheme: str = "http"
    path: str = ""

    @property
    def endpoint(self) -> str:
        """Host and port as people write them."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def base_url(self) -> str:
        """The URL that routes are appended to; ends without a slash."""
        return f"{self.scheme}://{self.endpoint}{self.path}"


def parse_server_address(text: str, where: str = "--server", *, default_port: int = DEFAULT_PORT) -> ServerAddress:
    """Read an address that a person wrote.

    where: the option or the file and key that it came from, for the message. Raises UsageError naming what was found
    and what is allowed.
    """
    written = text.strip()
    if not written:
        raise _not_usable(where, text, "it is empty")
    if any(character.isspace() or not character.isprintable() for character in written):
        raise _not_usable(where, text, "it contains a blank")
    if "://" not in written and _is_ipv6(written):
        return ServerAddress(written, default_port)
    try:
        parts = urlsplit(written if "://" in written else f"//{written}")
    except ValueError as problem:
        raise _not_usable(where, text, str(problem)) from problem
    if "://" not in written:
        return _from_parts(parts, "http", default_port, where, text)
    scheme = parts.scheme.lower()
    if scheme not in URL_PORTS:
        raise _not_usable(where, text, f"{scheme or 'nothing'}:// is not what the test server speaks")
    return _from_parts(parts, scheme, URL_PORTS[scheme], where, text)


def names_a_host(parts: SplitResult) -> bool:
    """Tell whether a split URL names a host and, if a port, one from 1 to 65535; no user name, no password."""
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError:
        return False
    if "@" in parts.netloc or parts.netloc.endswith(":") or port == 0:
        return False
    return _is_ipv6(host) if ":" in host else HOST.fullmatch(host) is not None


def _from_parts(parts: SplitResult, scheme: str, default_port: int, where: str, text: str) -> ServerAddress:
    if "@" in parts.netloc:
        raise _not_usable(where, text, "a user name or password has no place in it (give the token with --token)")
    if parts.query or parts.fragment:
        raise _not_usable(where, text, "it has a part after ? or #")
    if parts.path.rstrip("/") and "://" not in text:
        raise _not_usable(where, text, "a path needs a whole URL")
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError as problem:
        raise _not_usable(where, text, "the port must be a number from 1 to 65535") from problem
    if not host:
        raise _not_usable(where, text, "it names no host")
    if parts.netloc.endswith(":") or port == 0:
        raise _not_usable(where, text, "the port must be a number from 1 to 65535")
    in_brackets = "[" in parts.netloc or "]" in parts.netloc
    if in_brackets and not (_is_ipv6(host) and re.fullmatch(r"\[[^]]+\](:\d+)?", parts.netloc)):
        raise _not_usable(where, text, "the brackets do not hold an IPv6 address and nothing else")
    if not names_a_host(parts):
        raise _not_usable(where, text, "it names no host")
    return ServerAddress(host, port or default_port, scheme, parts.path.rstrip("/"))


def _is_ipv6(text: str) -> bool:
    try:
        IPv6Address(text)
    except ValueError:
        return False
    return True


def _not_usable(where: str, found: str, why: str) -> UsageError:
    return UsageError(f"{where}: {found!r} is not the address of a server: {why}", _ALLOWED)
