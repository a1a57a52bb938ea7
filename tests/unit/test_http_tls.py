"""Certificates are checked: trusted ones work, all others end as `certificate`. Certificates are made by trustme."""

import asyncio
import ssl
from pathlib import Path

import pytest
import trustme
from fake_test_server import fake_test_server
from http_transfers import KeepingWatch, http_transfer

from sitetest.engines.base import FailureKind, TransferSpec
from sitetest.engines.failure_translation import TransferProblem, server_error
from sitetest.engines.server_api import ServerApi
from sitetest.engines.url_download import UrlDownloadEngine
from sitetest.errors import ServerRefused
from sitetest_wire.words import Direction

SHORT = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=0.0, duration_s=0.2)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def server_side(authority: trustme.CA, *names: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(*names).configure_cert(context)
    return context


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.mark.parametrize("direction", list(Direction))
async def test_a_trusted_certificate_measures_in_both_directions(authority: trustme.CA, direction: Direction) -> None:
    spec = TransferSpec(direction, streams=2, warm_up_s=0.0, duration_s=0.3)
    async with fake_test_server(tls=server_side(authority, "127.0.0.1")) as fake:
        fake.streams = 2
        result = await http_transfer(fake.url, "t", spec, ssl_context=trusting(authority))
    assert fake.url.startswith("https://")
    assert result.failure is None
    assert result.throughput_mbps is not None
    assert result.throughput_mbps > 0


async def test_the_file_named_by_the_environment_is_trusted(
    authority: trustme.CA, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SSL_CERT_FILE is how OpenSSL is told; it is what the error's next step names."""
    trusted = tmp_path / "trusted.pem"
    authority.cert_pem.write_to_path(str(trusted))
    monkeypatch.setenv("SSL_CERT_FILE", str(trusted))
    async with fake_test_server(tls=server_side(authority, "127.0.0.1")) as fake:
        result = await http_transfer(fake.url, "t", SHORT)
    assert result.failure is None


@pytest.mark.parametrize(("name", "trusted"), [("127.0.0.1", False), ("far.example", True)])
async def test_an_untrusted_or_foreign_certificate_is_a_failure_of_its_own_kind(
    authority: trustme.CA, name: str, trusted: bool
) -> None:
    context = trusting(authority) if trusted else None
    async with fake_test_server(tls=server_side(authority, name)) as fake:
        result = await http_transfer(fake.url, "t", SHORT, ssl_context=context)
        by_url = await UrlDownloadEngine(fake.url, ssl_context=context).transfer(SHORT, KeepingWatch(), asyncio.Event())
        async with ServerApi(fake.url, ssl_context=context) as api:
            with pytest.raises(TransferProblem) as caught:
                await api.identity()
    for failure in (result.failure, by_url.failure, caught.value.failure):
        assert failure is not None
        assert failure.kind is FailureKind.CERTIFICATE
        assert fake.url in failure.message
    error = server_error(caught.value)
    assert type(error) is ServerRefused
    assert "SSL_CERT_FILE" in error.next_step
    assert fake.requests == [], "something was sent although the server could not be trusted"


async def test_a_server_without_tls_is_not_taken_for_one_with() -> None:
    async with fake_test_server() as fake:
        result = await http_transfer(fake.url.replace("http://", "https://"), "t", SHORT)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.CERTIFICATE
    assert fake.requests == []
