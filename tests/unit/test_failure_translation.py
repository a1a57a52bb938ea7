"""Foreign exceptions become facts of ours in one place, and none is forgotten."""

import asyncio
import errno
import json
import os
import ssl
from collections.abc import Iterator
from types import SimpleNamespace
from typing import cast

import aiohttp
import pytest
from aiohttp.client_reqrep import ConnectionKey

from sitetest.engines.base import Failure, FailureKind
from sitetest.engines.failure_translation import (
    KINDS,
    OtherProtocol,
    Stage,
    TransferProblem,
    kind_of,
    refusal,
    server_error,
    translated,
)
from sitetest.errors import ServerError, ServerRefused, ServerUnreachable, VersionMismatch
from sitetest_wire.messages import Problem

KEY = cast(ConnectionKey, SimpleNamespace(host="counter-server", port=1, ssl=True, is_ssl=True))
ROOTS = (aiohttp.ClientError, aiohttp.WSMessageTypeError)


def client_exceptions() -> list[type[BaseException]]:
    """Every exception class that aiohttp's client can raise: what its module of them defines, and all below it."""

    def below(kind: type[BaseException]) -> Iterator[type[BaseException]]:
        yield kind
        for child in kind.__subclasses__():
            yield from below(child)

    found = {kind for root in ROOTS for kind in below(root) if kind.__module__.startswith("aiohttp.")}
    return sorted(found - {aiohttp.ClientError}, key=lambda kind: kind.__name__)


@pytest.mark.parametrize("kind", client_exceptions(), ids=lambda kind: kind.__name__)
def test_every_exception_of_the_client_has_a_row(kind: type[BaseException]) -> None:
    """A new exception of a newer aiohttp fails here instead of at a customer's; the base class is not a row."""
    assert any(issubclass(kind, known) for known, _ in KINDS), f"{kind.__name__} has no row in KINDS"


def test_the_walk_finds_the_exceptions_that_matter() -> None:
    """The check above is over the real list: these are met in practice."""
    names = {kind.__name__ for kind in client_exceptions()}
    assert {"ServerDisconnectedError", "ClientConnectorCertificateError", "ClientPayloadError"} <= names
    assert len(names) > 20


def test_the_base_class_alone_is_no_row() -> None:
    """A catch-all row would make the walk unable to fail."""
    assert all(known is not aiohttp.ClientError and known is not Exception for known, _ in KINDS)
    assert kind_of(aiohttp.ClientError("new")) is None


@pytest.mark.parametrize(
    ("problem", "kind"),
    [
        (aiohttp.ClientConnectorError(KEY, OSError(errno.ECONNREFUSED, "refused")), FailureKind.REFUSED),
        (aiohttp.ClientConnectorError(KEY, OSError(errno.EHOSTUNREACH, "no route")), FailureKind.UNREACHABLE),
        (aiohttp.ClientConnectorError(KEY, OSError(errno.ENETUNREACH, "no net")), FailureKind.UNREACHABLE),
        (aiohttp.ClientConnectorError(KEY, OSError(errno.ETIMEDOUT, "timed out")), FailureKind.CONNECT_TIMEOUT),
        (aiohttp.ClientConnectorDNSError(KEY, OSError(-2, "unknown name")), FailureKind.UNREACHABLE),
        (aiohttp.ConnectionTimeoutError("late"), FailureKind.CONNECT_TIMEOUT),
        (aiohttp.SocketTimeoutError("late"), FailureKind.STALLED),
        (
            aiohttp.ClientConnectorCertificateError(KEY, ssl.SSLCertVerificationError(1, "self-signed")),
            FailureKind.CERTIFICATE,
        ),
        (aiohttp.ClientConnectorSSLError(KEY, ssl.SSLError(1, "wrong version")), FailureKind.CERTIFICATE),
        (aiohttp.ServerDisconnectedError(), FailureKind.PEER_DIED),
        (aiohttp.ClientPayloadError("cut"), FailureKind.PEER_DIED),
        (aiohttp.ClientOSError(errno.EPIPE, "pipe"), FailureKind.PEER_DIED),
        (aiohttp.ClientOSError(errno.ETIMEDOUT, "timed out"), FailureKind.LINK_LOST),
        (OSError(errno.ENETDOWN, "down"), FailureKind.LINK_LOST),
        (OSError(errno.EHOSTUNREACH, "no route"), FailureKind.LINK_LOST),
        (ConnectionResetError(errno.ECONNRESET, "reset"), FailureKind.PEER_DIED),
        (TimeoutError(), FailureKind.STALLED),
        (json.JSONDecodeError("no", "x", 0), FailureKind.BAD_OUTPUT),
    ],
)
def test_what_an_exception_means(problem: Exception, kind: FailureKind) -> None:
    with pytest.raises(TransferProblem) as caught, translated(Stage.UPLOAD, "http://counter-server:1", "stream 2 of 5"):
        raise problem
    failure = caught.value.failure
    assert failure.kind is kind
    assert failure.message.startswith("upload at http://counter-server:1, stream 2 of 5: ")
    assert len(failure.message) > len("upload at http://counter-server:1, stream 2 of 5: ")
    assert caught.value.__cause__ is problem
    if isinstance(problem, OSError):
        assert failure.errno == problem.errno


def wrapped(outer: Exception, *causes: Exception) -> Exception:
    """Chain exceptions as ``raise ... from`` does."""
    for above, below in zip((outer, *causes), causes, strict=False):
        above.__cause__ = below
    return outer


@pytest.mark.parametrize(
    ("problem", "kind"),
    [
        (wrapped(aiohttp.ClientConnectionError("lost"), OSError(errno.ETIMEDOUT, "")), FailureKind.LINK_LOST),
        (wrapped(aiohttp.ClientPayloadError("cut"), ValueError(), OSError(errno.ENETDOWN, "")), FailureKind.LINK_LOST),
        (wrapped(aiohttp.ClientOSError(None, "x"), OSError(errno.ECONNRESET, "")), FailureKind.PEER_DIED),
        (wrapped(aiohttp.ClientOSError(None, "x"), ConnectionResetError("closing transport")), FailureKind.PEER_DIED),
    ],
)
def test_the_systems_error_number_is_found_below_what_aiohttp_wraps_around_it(
    problem: Exception, kind: FailureKind
) -> None:
    """A killed server and a dead path end in the same class; who is to blame stands in the number."""
    assert kind_of(problem) is kind


@pytest.mark.parametrize("problem", [ValueError("a bug"), KeyError("a bug"), asyncio.CancelledError()])
def test_bugs_and_cancellation_pass_through(problem: BaseException) -> None:
    with pytest.raises(type(problem)) as caught, translated(Stage.LEASE, "http://counter-server:1"):
        raise problem
    assert caught.value is problem


@pytest.mark.parametrize(
    ("code", "status", "kind"),
    [
        ("token", 401, FailureKind.LEASE_DENIED),
        ("limit", 400, FailureKind.LEASE_DENIED),
        ("no_lease", 404, FailureKind.LEASE_DENIED),
        ("busy", 429, FailureKind.BUSY),
        ("engine", 409, FailureKind.UNAVAILABLE),
        ("internal", 500, FailureKind.PEER_DIED),
        ("a-code-of-next-year", 400, FailureKind.LEASE_DENIED),
    ],
)
def test_a_refusal_keeps_the_servers_own_words(code: str, status: int, kind: FailureKind) -> None:
    body = json.dumps(Problem(code, "32 streams at most").to_json()).encode()
    problem = refusal(Stage.LEASE, "http://counter-server:1", status, body)
    assert problem.failure.kind is kind
    assert "32 streams at most" in problem.failure.message
    assert str(status) in problem.failure.message


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (302, FailureKind.BAD_OUTPUT),
        (401, FailureKind.LEASE_DENIED),
        (404, FailureKind.BAD_OUTPUT),
        (502, FailureKind.PEER_DIED),
    ],
)
@pytest.mark.parametrize("body", [b"", b"<html>", b"[]", b'{"error": 3}', b"\xff"])
def test_a_refusal_of_something_else_is_told_by_its_status(status: int, kind: FailureKind, body: bytes) -> None:
    assert refusal(Stage.LEASE, "http://counter-server:1", status, body).failure.kind is kind


@pytest.mark.parametrize("kind", list(FailureKind))
def test_every_failure_gives_a_server_error_with_its_message(kind: FailureKind) -> None:
    error = server_error(Failure(kind, "what was seen"))
    assert isinstance(error, ServerError)
    assert "what was seen" in error.message


@pytest.mark.parametrize(
    ("kind", "expected", "step"),
    [
        (FailureKind.REFUSED, ServerUnreachable, "--server"),
        (FailureKind.CONNECT_TIMEOUT, ServerUnreachable, "--server"),
        (FailureKind.LEASE_DENIED, ServerRefused, "SITETEST_TOKEN"),
        (FailureKind.CERTIFICATE, ServerRefused, "SSL_CERT_FILE"),
    ],
)
def test_a_server_error_says_who_must_act(kind: FailureKind, expected: type[ServerError], step: str) -> None:
    error = server_error(Failure(kind, "seen"))
    assert type(error) is expected
    assert step in error.next_step


def test_a_wrong_token_says_where_the_right_one_is() -> None:
    body = json.dumps(Problem("token", "unknown token").to_json()).encode()
    error = server_error(refusal(Stage.LEASE, "http://counter-server:1", 401, body))
    assert type(error) is ServerRefused
    assert "prints its token" in error.next_step
    assert "--token" in error.next_step


def test_another_protocol_is_a_version_mismatch() -> None:
    problem = OtherProtocol(Failure(FailureKind.BAD_OUTPUT, "speaks 2"), "install")
    assert type(server_error(problem)) is VersionMismatch


def test_the_message_of_a_lost_path_has_the_systems_words() -> None:
    with pytest.raises(TransferProblem, match=os.strerror(errno.ETIMEDOUT)), translated(Stage.DOWNLOAD, "http://c:1"):
        raise OSError(errno.ETIMEDOUT, "")
