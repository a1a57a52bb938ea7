"""The one place in which exceptions of aiohttp, ssl and the system become facts of ours.

    foreign exception --translated()--> TransferProblem(Failure) --server_error()--> ServerUnreachable and its kin
    HTTP error status --refusal()-----^        |
                                               '--> TransferResult.failure: a failed measurement is data

An engine keeps the :class:`Failure`; whatever is asked before a run (identity, a lease for the preflight) turns the
problem into the ServerError that ends the command. A foreign exception that has no row in :data:`KINDS` is a fault of
ours and passes through unchanged; a test walks aiohttp's exceptions and fails on one without a row.

May import sitetest_wire, sitetest.errors, aiohttp and the standard library only.
"""

import asyncio
import errno
import json
import os
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum

import aiohttp

from sitetest.engines.base import CONNECT_TIMEOUT_S, Failure, FailureKind
from sitetest.errors import ServerError, ServerRefused, ServerUnreachable, VersionMismatch
from sitetest_wire.messages import MessageError, Problem


class Stage(StrEnum):
    """What was being done, in the words of a message."""

    IDENTITY = "asking who the server is"
    LEASE = "asking for a lease"
    WATCH = "asking for a pass to watch the path"
    SAMPLES = "reading the server's samples"
    DOWNLOAD = "download"
    UPLOAD = "upload"


class TransferProblem(Exception):
    """A failure on its way to whoever turns it into a result or an error. next_step: what to do; may be empty."""

    def __init__(self, failure: Failure, next_step: str = "") -> None:
        super().__init__(failure.message)
        self.failure = failure
        self.next_step = next_step


class OtherProtocol(TransferProblem):
    """The server answers and speaks another version of the protocol."""


ACCESS_STEP = (
    "The server prints its token when it starts: give it with --token or in the variable SITETEST_TOKEN. "
    "It is then remembered for this server."
)
REACH_STEP = (
    "Check that sitetest-server runs there, that the laptop is on the right network, and that no firewall is between "
    "them; or name another address with --server."
)
TLS_STEP = (
    "Use the name that the certificate was made out for, and let this laptop trust its issuer (the variable "
    "SSL_CERT_FILE names a file of trusted certificates). A server without TLS is named with http://."
)

KINDS: tuple[tuple[type[BaseException], FailureKind | None], ...] = (
    # First match wins, so the narrow classes come first. None: the system's error number decides.
    (aiohttp.ClientConnectorCertificateError, FailureKind.CERTIFICATE),
    (aiohttp.ClientSSLError, FailureKind.CERTIFICATE),
    (aiohttp.ServerFingerprintMismatch, FailureKind.CERTIFICATE),
    (aiohttp.ClientConnectorDNSError, FailureKind.UNREACHABLE),
    (aiohttp.ConnectionTimeoutError, FailureKind.CONNECT_TIMEOUT),
    (aiohttp.ServerTimeoutError, FailureKind.STALLED),
    (aiohttp.ServerDisconnectedError, FailureKind.PEER_DIED),
    (aiohttp.ServerConnectionError, FailureKind.PEER_DIED),
    (aiohttp.ClientConnectionResetError, FailureKind.PEER_DIED),
    (aiohttp.ClientPayloadError, FailureKind.PEER_DIED),
    (aiohttp.ClientOSError, None),
    (aiohttp.ClientConnectionError, FailureKind.PEER_DIED),
    (aiohttp.InvalidURL, FailureKind.UNREACHABLE),
    (aiohttp.NonHttpUrlClientError, FailureKind.UNREACHABLE),
    (aiohttp.client_exceptions.RedirectClientError, FailureKind.BAD_OUTPUT),
    (aiohttp.ClientResponseError, FailureKind.BAD_OUTPUT),
    (aiohttp.WSMessageTypeError, FailureKind.BAD_OUTPUT),
    (MessageError, FailureKind.BAD_OUTPUT),
    (json.JSONDecodeError, FailureKind.BAD_OUTPUT),
    (UnicodeDecodeError, FailureKind.BAD_OUTPUT),
    (ssl.SSLCertVerificationError, FailureKind.CERTIFICATE),
    (ssl.SSLError, FailureKind.PEER_DIED),  # while bytes flow; a failed handshake is a ClientSSLError above
    (asyncio.IncompleteReadError, FailureKind.PEER_DIED),
    (OSError, None),  # TimeoutError is one of them, with an error number if the kernel gave up
)
if hasattr(aiohttp.client_exceptions, "UploadAbortedError"):  # new in aiohttp 3.14
    KINDS = ((aiohttp.client_exceptions.UploadAbortedError, FailureKind.PEER_DIED), *KINDS)

_KIND_BY_ERRNO = {
    errno.ECONNREFUSED: FailureKind.REFUSED,
    errno.ECONNRESET: FailureKind.PEER_DIED,
    errno.ECONNABORTED: FailureKind.PEER_DIED,
    errno.EPIPE: FailureKind.PEER_DIED,
    errno.ENOTCONN: FailureKind.PEER_DIED,
    errno.ESHUTDOWN: FailureKind.PEER_DIED,
    errno.EBADF: FailureKind.PEER_DIED,
    errno.ETIMEDOUT: FailureKind.LINK_LOST,
    errno.EHOSTUNREACH: FailureKind.LINK_LOST,
    errno.EHOSTDOWN: FailureKind.LINK_LOST,
    errno.ENETUNREACH: FailureKind.LINK_LOST,
    errno.ENETDOWN: FailureKind.LINK_LOST,
    errno.ENETRESET: FailureKind.LINK_LOST,
}
_KIND_BY_CODE = {
    "token": FailureKind.LEASE_DENIED,
    "limit": FailureKind.LEASE_DENIED,
    "too_large": FailureKind.LEASE_DENIED,
    "bad_request": FailureKind.LEASE_DENIED,
    "no_lease": FailureKind.LEASE_DENIED,
    "no_watch": FailureKind.LEASE_DENIED,
    "no_reflector": FailureKind.UNAVAILABLE,
    "busy": FailureKind.BUSY,
    "engine": FailureKind.UNAVAILABLE,
    "unknown_route": FailureKind.BAD_OUTPUT,
    "internal": FailureKind.PEER_DIED,
}
_UNREACHABLE_KINDS = frozenset(
    {
        FailureKind.UNREACHABLE,
        FailureKind.REFUSED,
        FailureKind.CONNECT_TIMEOUT,
        FailureKind.PEER_DIED,
        FailureKind.LINK_LOST,
        FailureKind.STALLED,
        FailureKind.DEADLINE,
        FailureKind.BAD_OUTPUT,
    }
)


@contextmanager
def translated(stage: Stage, endpoint: str, detail: str = "") -> Iterator[None]:
    """Turn every foreign exception of :data:`KINDS` that leaves the block into a TransferProblem.

    detail: more about the stage (``stream 3 of 5``). Cancellation, our own problems and bugs pass through.
    """
    try:
        yield
    except TransferProblem:
        raise
    except Exception as problem:  # passed on below unless it has a row in the table
        kind = kind_of(problem)
        if kind is None:
            raise
        raise TransferProblem(_failure(problem, kind, stage, endpoint, detail), _step_for(kind)) from problem


def kind_of(problem: BaseException) -> FailureKind | None:
    """Return what a foreign exception means, or None for one that is not in :data:`KINDS`."""
    for known, kind in KINDS:
        if isinstance(problem, known):
            broken = kind is FailureKind.PEER_DIED and _system_error(problem) is not None
            return _kind_of_system_error(problem) if kind is None or broken else kind
    return None


def refusal(stage: Stage, endpoint: str, status: int, body: bytes, detail: str = "") -> TransferProblem:
    """Turn an HTTP error status and its body (a JSON :class:`Problem` if a test server sent it) into a problem."""
    try:
        told = Problem.from_json(json.loads(body))
    except (MessageError, ValueError):
        return _foreign_refusal(stage, endpoint, status, detail)
    default = FailureKind.PEER_DIED if status >= 500 else FailureKind.LEASE_DENIED
    kind = _KIND_BY_CODE.get(told.code, default)
    message = f"{_prefix(stage, endpoint, detail)}: the server refuses: {told.message} (HTTP {status}, {told.code})"
    return TransferProblem(Failure(kind, message), ACCESS_STEP if told.code == "token" else _step_for(kind))


def not_ours(stage: Stage, endpoint: str, seen: str) -> TransferProblem:
    """Something answers there that is not a test server, or not as one should. seen: what came instead."""
    message = f"{_prefix(stage, endpoint, '')}: this is not the answer of a sitetest-server: {seen}"
    return TransferProblem(Failure(FailureKind.BAD_OUTPUT, message), _step_for(FailureKind.BAD_OUTPUT))


def server_error(problem: TransferProblem | Failure) -> ServerError:
    """Return the error that ends a command for a problem met while talking to the server."""
    if isinstance(problem, Failure):
        problem = TransferProblem(problem, _step_for(problem.kind))
    message = f"The test server cannot be used: {problem.failure.message}"
    if isinstance(problem, OtherProtocol):
        return VersionMismatch(message, problem.next_step)
    unreachable = problem.failure.kind in _UNREACHABLE_KINDS
    return (ServerUnreachable if unreachable else ServerRefused)(message, problem.next_step)


def _kind_of_system_error(problem: BaseException) -> FailureKind:
    number = _system_error(problem)
    if number is None:
        return FailureKind.STALLED if isinstance(problem, TimeoutError) else FailureKind.PEER_DIED
    kind = _KIND_BY_ERRNO.get(number, FailureKind.LINK_LOST)
    if not isinstance(problem, aiohttp.ClientConnectorError) or kind is FailureKind.REFUSED:
        return kind
    # The connection never came up, so nothing was lost.
    return FailureKind.CONNECT_TIMEOUT if number == errno.ETIMEDOUT else FailureKind.UNREACHABLE


def _system_error(problem: BaseException) -> int | None:
    """Return the system's error number of the exception, or of what caused it: aiohttp wraps it up to twice."""
    cause: BaseException | None = problem
    while cause is not None:
        if isinstance(cause, OSError) and cause.errno is not None:
            return cause.errno
        cause = cause.__cause__
    return None


def _failure(problem: BaseException, kind: FailureKind, stage: Stage, endpoint: str, detail: str) -> Failure:
    number = _system_error(problem)
    return Failure(kind, f"{_prefix(stage, endpoint, detail)}: {_seen(problem, kind, number)}", number)


def _seen(problem: BaseException, kind: FailureKind, number: int | None) -> str:
    words = _own_words(problem)
    system = f" ({os.strerror(number)})" if number else ""  # the library's own text is no sentence for people
    if isinstance(problem, aiohttp.ClientConnectorDNSError):
        return f"the name cannot be resolved ({words})"
    sentences = {
        FailureKind.REFUSED: "the machine answers, but nothing listens on that port (connection refused)",
        FailureKind.CONNECT_TIMEOUT: f"no connection within {CONNECT_TIMEOUT_S:g} s",
        FailureKind.CERTIFICATE: f"the server's certificate or its TLS cannot be trusted ({words})",
        FailureKind.UNREACHABLE: f"no way to it ({words})",
        FailureKind.PEER_DIED: f"the server closed the connection{system}",
        FailureKind.LINK_LOST: f"the path was lost{system}",
        FailureKind.STALLED: "no answer in time",
    }
    return sentences.get(kind, f"the answer cannot be understood ({words})")


def _own_words(problem: BaseException) -> str:
    """The text of the exception itself, or of what caused it; its class where it says nothing."""
    inner = getattr(problem, "certificate_error", None) or getattr(problem, "os_error", None) or problem
    if isinstance(inner, ssl.SSLCertVerificationError):
        return getattr(inner, "verify_message", "") or str(inner)
    if isinstance(inner, OSError) and inner.strerror:
        if inner.errno is None or isinstance(inner, socket.gaierror):
            return str(inner.strerror)
        return os.strerror(inner.errno)  # asyncio puts a text of its own where the system's should be
    return str(inner) or type(problem).__name__


def _foreign_refusal(stage: Stage, endpoint: str, status: int, detail: str) -> TransferProblem:
    message = f"{_prefix(stage, endpoint, detail)}: HTTP status {status} without the reason that a test server gives"
    if status in (401, 403):
        return TransferProblem(Failure(FailureKind.LEASE_DENIED, message), ACCESS_STEP)
    kind = FailureKind.PEER_DIED if status >= 500 else FailureKind.BAD_OUTPUT
    return TransferProblem(Failure(kind, message), _step_for(kind))


def _step_for(kind: FailureKind) -> str:
    if kind is FailureKind.CERTIFICATE:
        return TLS_STEP
    if kind is FailureKind.BAD_OUTPUT:
        return "Check the address and the port: another program answers there, or a proxy stands in between."
    if kind is FailureKind.LEASE_DENIED:
        return f"Do what the server says. {ACCESS_STEP}"
    return REACH_STEP if kind in _UNREACHABLE_KINDS else ""


def _prefix(stage: Stage, endpoint: str, detail: str) -> str:
    return f"{stage} at {endpoint}{f', {detail}' if detail else ''}"
