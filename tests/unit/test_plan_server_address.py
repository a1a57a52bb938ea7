"""What people write after --server, and what is made of it."""

from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.errors import UsageError
from sitetest.plan.server_address import ServerAddress, parse_server_address


@pytest.mark.parametrize(
    ("text", "base_url"),
    [
        ("counter-server", "http://counter-server:17300"),
        ("  counter-server  ", "http://counter-server:17300"),
        ("192.0.2.7:9000", "http://192.0.2.7:9000"),
        ("2001:db8::7", "http://[2001:db8::7]:17300"),
        ("[2001:db8::7]", "http://[2001:db8::7]:17300"),
        ("[2001:db8::7]:9000", "http://[2001:db8::7]:9000"),
        ("fe80::1%eth0", "http://[fe80::1%eth0]:17300"),
        ("http://counter-server", "http://counter-server:80"),
        ("https://far.example", "https://far.example:443"),
        ("HTTPS://far.example:8443/test/", "https://far.example:8443/test"),
    ],
)
def test_an_address_as_people_write_it(text: str, base_url: str) -> None:
    """A bare host means our port; a URL keeps the meaning that URLs have (RFC 3986, RFC 9110 section 4.2)."""
    assert parse_server_address(text).base_url == base_url


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "a b",
        "a:b",
        "a:0",
        "a:65536",
        "a:",
        ":9",
        "[::1",
        "[x::]",
        "[::1]x",
        "::1:99999",
        "1:2:3",
        "http://",
        "ftp://far.example",
        "anna:secret@far.example",
        "far.example/test",
        "http://far.example?x",
        "http://far.example#x",
        "http://[v1.x]",
        "http://:9",
        "http://far.example:x",
        "a\x00b",
    ],
)
def test_what_is_not_an_address_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_server_address(text, "profiles/site.toml: server.lan")
    assert caught.value.message.startswith("profiles/site.toml: server.lan: ")
    assert repr(text) in caught.value.message
    assert "HOST:PORT" in caught.value.next_step


@given(st.text(max_size=40))
def test_any_text_gives_an_address_or_a_clear_error(text: str) -> None:
    """Never another exception; and what is accepted can be taken apart again to the same host and port."""
    try:
        address = parse_server_address(text)
    except UsageError:
        return
    parts = urlsplit(address.base_url)
    assert (parts.hostname or "").lower() == address.host.lower()
    assert parts.port == address.port


def test_an_endpoint_puts_ipv6_in_brackets() -> None:
    assert ServerAddress("2001:db8::7", 9).endpoint == "[2001:db8::7]:9"
