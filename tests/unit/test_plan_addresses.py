"""An address that site.toml may hold is one that the engines can use, and the other way round."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from sitetest.engines.url_download import UrlDownloadEngine
from sitetest.plan.server_address import parse_server_address
from sitetest.plan.value_kinds import base_url, download_url, lan_server

hosts = st.sampled_from(["counter-server", "192.0.2.7", "[2001:db8::7]", "2001:db8::7", "[::1", "-", "a b", "", "me@h"])
ports = st.sampled_from(["", ":9000", ":0", ":99999", ":", ":http"])
paths = st.sampled_from(["", "/", "/below", "?a=1", "#top"])
schemes = st.sampled_from(["", "http://", "https://", "HTTPS://", "ftp://", "//"])
addresses = st.builds("".join, st.tuples(schemes, hosts, ports, paths)) | st.text(max_size=12)


@given(addresses)
@settings(deadline=None, max_examples=300)
def test_every_address_that_is_let_through_is_understood_by_the_engines(written: str) -> None:
    for check in (lan_server, base_url):
        try:
            kept = check(written)
        except PydanticCustomError:
            continue
        if kept not in (None, "auto"):
            assert parse_server_address(kept).host


@pytest.mark.parametrize(
    "written", ["counter-server", "192.0.2.7:9000", "2001:db8::7", "[2001:db8::7]:9000", "https://far.example/test"]
)
def test_every_form_that_the_engines_document_is_let_through(written: str) -> None:
    assert lan_server(written) == written


@pytest.mark.parametrize("written", ["https://far.example/large.bin?part=1", "http://far.example:8080/x"])
def test_a_download_url_is_kept_as_it_is_written(written: str) -> None:
    assert download_url(written) == written


@given(addresses)
@settings(deadline=None, max_examples=300)
def test_every_download_url_that_is_let_through_is_taken_by_the_engine(written: str) -> None:
    try:
        kept = download_url(written)
    except PydanticCustomError:
        return
    if kept is not None:
        assert UrlDownloadEngine(kept).availability().usable
