"""The TCP connections that carry payload: one a stream, each with a session of its own.

A connector that is shared hides which socket belongs to which stream, and may let two streams wait for one connection.
Here each stream has a connector to itself and its socket is kept, so that the kernel can be asked about it (TCP_INFO)
and a dead path ends it.

May import sitetest_wire, aiohttp and the standard library only.
"""

import asyncio
import platform
import socket
import ssl
import struct
import urllib.request
from collections.abc import Mapping, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

import aiohttp

from sitetest.engines.base import CONNECT_TIMEOUT_S, STALL_LIMIT_S, Failure, FailureKind
from sitetest_wire.dead_peer import abandon_dead_peer
from sitetest_wire.tcp_info import TcpInfo, read_tcp_info

READ_BUFFER_BYTES = 2**20
"""How much of a download aiohttp holds before it stops reading from the socket."""

NOT_SENT_BYTES = 2**17
"""Unsent bytes that the kernel holds of an upload. Keeps the queue in the laptop short, so that the upload stops soon
after it is told to (measured: half the drain on a 20 Mbit/s link), and does not slow it down."""

CLOSE_POLLS = 500
CLOSE_POLL_S = 0.002
"""How often leaving a connection looks whether the event loop, which needs steps of its own for that, has closed its
transport: a second at most."""

_NAME_BYTES = 16  # TCP_CA_NAME_MAX, linux/include/net/tcp.h


class PayloadConnection:
    """The connection of one stream. Use as an async context manager; leaving it breaks what is still open.

    congestion_control: by name, when we are the sender. upload: we are the sender. reuse: keep the connection for the
    stream's next request (which this class serves one at a time).
    """

    def __init__(
        self,
        *,
        headers: Mapping[str, str],
        ssl_context: ssl.SSLContext | None,
        congestion_control: str | None = None,
        upload: bool = False,
        reuse: bool = False,
    ) -> None:
        self._congestion_control = congestion_control
        self._upload = upload
        self._sockets: list[socket.socket] = []
        self._last_info: TcpInfo | None = None
        self.session = aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(
                limit=0,
                limit_per_host=0,
                force_close=not reuse,
                ssl=ssl_context or True,
                socket_factory=self._make_socket,
            ),
            timeout=aiohttp.ClientTimeout(total=None, sock_connect=CONNECT_TIMEOUT_S),
            cookie_jar=aiohttp.DummyCookieJar(),
            headers=headers,
            auto_decompress=False,
            read_bufsize=READ_BUFFER_BYTES,
            trust_env=False,
        )

    def open_socket(self) -> socket.socket | None:
        """Return the socket while it is open; None when there is none (yet, or any more)."""
        live = [sock for sock in self._sockets if sock.fileno() >= 0]
        return live[-1] if live else None

    def addresses(self) -> tuple[str, str] | None:
        """Local and remote address of the connection; None while it is not up."""
        sock = self.open_socket()
        if sock is None:
            return None
        try:
            return str(sock.getsockname()[0]), str(sock.getpeername()[0])
        except OSError:  # not connected (any more)
            return None

    def tcp_info(self) -> TcpInfo | None:
        """What the kernel knows about the connection; what it said last once the socket is closed; None if never."""
        sock = self.open_socket()
        if sock is not None:
            self._last_info = read_tcp_info(sock) or self._last_info
        return self._last_info

    def break_off(self) -> None:
        """Make the close that follows drop what was not sent yet, instead of sending it into the next measurement.

        asyncio closes a transport only when its own buffer is empty, which on a dead path is never: the shutdown makes
        its next write fail instead.
        """
        sock = self.open_socket()
        if sock is not None:
            with suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                sock.shutdown(socket.SHUT_RDWR)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.session.close()
        for _ in range(CLOSE_POLLS):
            if self.open_socket() is None:
                return
            await asyncio.sleep(CLOSE_POLL_S)

    def _make_socket(self, address: tuple[Any, ...]) -> socket.socket:
        family, kind, protocol = address[:3]
        sock = socket.socket(family, kind, protocol)
        try:
            sock.setblocking(False)
            abandon_dead_peer(sock, STALL_LIMIT_S)
            if self._congestion_control is not None:
                set_congestion_control(sock, self._congestion_control)
            if self._upload and hasattr(socket, "TCP_NOTSENT_LOWAT"):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, NOT_SENT_BYTES)
        except OSError:
            sock.close()
            raise
        self._sockets.append(sock)
        return sock


def set_congestion_control(sock: socket.socket, name: str) -> None:
    """Ask the kernel for a congestion control by name. Raises OSError where it has none of that name."""
    option = getattr(socket, "TCP_CONGESTION", None)
    if option is None:
        raise OSError(f"{platform.system()} gives no choice of congestion control")
    sock.setsockopt(socket.IPPROTO_TCP, option, name.encode())


def congestion_control_of(sock: socket.socket | None) -> str | None:
    """Return the name of the congestion control of a socket; None where the system does not tell."""
    option = getattr(socket, "TCP_CONGESTION", None)
    if option is None or sock is None:
        return None
    try:
        return sock.getsockopt(socket.IPPROTO_TCP, option, _NAME_BYTES).split(b"\0")[0].decode()
    except OSError:
        return None


def unusable_congestion_control(name: str | None) -> Failure | None:
    """Say why this laptop cannot send with a congestion control; None when it can, or when none is asked for."""
    if name is None:
        return None
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as sock:
        try:
            set_congestion_control(sock, name)
        except OSError as problem:
            seen = problem.strerror or str(problem)
            message = f"this laptop cannot send with the congestion control {name!r}: {seen}"
            return Failure(FailureKind.UNAVAILABLE, message, problem.errno)
    return None


def proxy_note() -> str | None:
    """Say that proxy settings are there and are not used; None without them."""
    proxies = urllib.request.getproxies()
    named = sorted(f"{scheme}_proxy" for scheme in ("http", "https", "all") if scheme in proxies)
    if not named:
        return None
    return f"proxy settings are present ({', '.join(named)}) and not used: what is measured is the direct path"


async def close_all(tasks: Sequence[asyncio.Task[None]]) -> None:
    """Cancel tasks and wait until they have ended. They keep their own failures, so that nothing is raised here."""
    for task in tasks:
        task.cancel()
    if tasks:
        await asyncio.wait(tasks)
