"""Watches a C library's TCP connections from a thread of the same process, without the library's help.

The sockets are found among the process's own descriptors by their port. What the kernel counts on them (``TCP_INFO``)
becomes samples: bytes received at the receiving end, acknowledged bytes, round-trip time and retransmits at the sending
end. Nothing here depends on the library's version.

    no payload yet    looked at every 5 ms, so that the start is known that well
    payload           at_s = 0 is the last look before the first byte; one sample every 100 ms, and one more when the
                      last stream has its first byte
    after total_s     no more samples: the sender has stopped, and what still trickles in is no part of the transfer

Each end also gets its sockets set up to give up on a dead peer, and the server's listener to ignore connections that
send nothing, and those of any host but the one that it is for. Descriptors are borrowed for one call each and never
duplicated: a duplicate would keep a connection open that the library has closed. May import the standard library and
this package only.
"""

import os
import socket
import stat
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any

from sitetest_wire.dead_peer import abandon_dead_peer
from sitetest_wire.local_interface import plain_address
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample
from sitetest_wire.source_filter import hear_only
from sitetest_wire.tcp_info import read_tcp_info
from sitetest_wire.words import CountedAs

COOKIE_BYTES = 37
"""What the iperf3 protocol's client sends first on every connection; no payload."""

SYN_BYTES = 1
"""A kernel counts the acknowledged SYN as a byte at the end that opened the connection."""

ALIVE_PERIOD_S = 0.5
"""How often something is told while there are no samples."""

SILENT_CLIENT_LIMIT_S = 120
"""How long the kernel keeps a connection from the server that has sent nothing: longer than any worker waits."""

_FAST_PERIOD_S = 0.005
_FAST_LIMIT_S = 3.0
_LAST_MARGIN_S = 0.02  # a thread of a busy machine wakes late; a sample after the end is none
_DESCRIPTORS = "/proc/self/fd" if sys.platform == "linux" else "/dev/fd"


@dataclass(slots=True)
class _Stream:
    """payload: bytes so far; the last that was seen, once the socket is closed."""

    payload: int = 0
    rtt_ms: float = 0.0
    retransmits: int = 0
    mss_bytes: int = 0
    window_bytes: int | None = None


class StreamSampler:
    """Samples the data connections of one transfer until stopped.

    port: the server's. is_server, is_sender: of this end. streams: how many are expected. total_s: how long the sender
    sends. control_socket: the library's control connection's descriptor, below 3 while there is none. limit_s: see
    :func:`abandon_dead_peer`. only_from: address of the one host that a server is for; None for any. Where the kernel
    cannot keep the others away (it can on Linux), their connections are ended as soon as they are seen. tell: takes the
    events ``listening`` (port), ``connected`` (local, remote, congestion_control), ``sample`` (the sample) and
    ``alive``.
    Without ``TCP_INFO`` there are no samples.
    """

    def __init__(
        self,
        *,
        port: int,
        is_server: bool,
        is_sender: bool,
        streams: int,
        total_s: float,
        limit_s: float,
        control_socket: Callable[[], int],
        tell: Callable[..., None],
        only_from: str | None = None,
    ) -> None:
        self._port = port
        self._only_from = None if only_from is None else plain_address(only_from)
        self._is_server = is_server
        self._is_sender = is_sender
        self._expected = streams
        self._total_s = total_s
        self._limit_s = limit_s
        self._control_socket = control_socket
        self._tell = tell
        self._streams: dict[tuple[int, int], _Stream] = {}
        self._known: set[tuple[int, int]] = set()
        self._moved_at_s = time.monotonic()
        self._cpu_from: tuple[float, float] | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="stream sampler", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Stop looking, and wait until the thread has ended."""
        self._stopping.set()
        self._thread.join()

    @property
    def still_s(self) -> float | None:
        """Seconds since a byte last moved; None when none ever did, or the system does not tell."""
        return time.monotonic() - self._moved_at_s if self._payload() else None

    @property
    def cpu_share(self) -> float | None:
        """Share of one core that this process has used since the data connections came up; None before that."""
        if self._cpu_from is None:
            return None
        passed_s = time.monotonic() - self._cpu_from[0]
        return (time.process_time() - self._cpu_from[1]) / passed_s if passed_s > 0 else None

    @property
    def mss_bytes(self) -> int | None:
        """Largest segment of payload that was sent; None at the receiver, and where the system does not tell."""
        return max((stream.mss_bytes for stream in self._streams.values()), default=0) or None

    @property
    def receive_window_bytes(self) -> int | None:
        """Largest receive window that the receiver offered on one connection; None as for ``mss_bytes``."""
        known = [stream.window_bytes for stream in self._streams.values() if stream.window_bytes is not None]
        return max(known, default=None)

    def _run(self) -> None:
        began_s = told_s = time.monotonic()
        before_s = began_s  # the last look without payload
        start_s: float | None = None
        due_s, all_up = 0.0, False
        while not self._stopping.is_set():
            now_s = time.monotonic()
            self._look()
            if start_s is None:
                if self._payload() == 0:
                    before_s = now_s
                else:
                    start_s = told_s = before_s
                    self._tell("sample", sample=self._zero().to_json())
            if start_s is not None and now_s - start_s <= self._total_s:
                came_up = not all_up and self._all_up()
                all_up = all_up or came_up
                if came_up or now_s >= due_s:
                    self._tell("sample", sample=self._sample(now_s - start_s).to_json())
                    told_s = now_s
                    due_s = start_s + _next_due_s(now_s - start_s, self._total_s)
            elif now_s - told_s >= ALIVE_PERIOD_S:
                self._tell("alive")
                told_s = now_s
            self._stopping.wait(self._pause_s(now_s, start_s, due_s, all_up))

    def _pause_s(self, now_s: float, start_s: float | None, due_s: float, all_up: bool) -> float:
        if start_s is None or (not all_up and now_s - start_s < _FAST_LIMIT_S):
            return _FAST_PERIOD_S
        if now_s - start_s >= self._total_s:
            return SAMPLE_PERIOD_S
        return max(0.0, due_s - time.monotonic())

    # -- the sockets ---------------------------------------------------------------------------------------------

    def _look(self) -> None:
        """Read the data connections, and take note of new sockets."""
        control = self._control_socket()
        before = self._payload()
        for descriptor, key in _sockets():
            if key in self._streams:
                _borrow(descriptor, partial(self._read, stream=self._streams[key]))
            elif key not in self._known:
                _borrow(descriptor, partial(self._meet, key=key, control=control))
        if self._payload() > before:
            self._moved_at_s = time.monotonic()

    def _meet(self, sock: socket.socket, key: tuple[int, int], control: int) -> None:
        if sock.type != socket.SOCK_STREAM or sock.family not in (socket.AF_INET, socket.AF_INET6):
            self._known.add(key)
        elif sock.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN):
            self._known.add(key)
            _ignore_silent_clients(sock)
            if self._only_from is not None:
                with suppress(OSError):
                    hear_only(sock, self._only_from)
            self._tell("listening", port=sock.getsockname()[1])
        else:
            local, remote = sock.getsockname(), sock.getpeername()  # raises while it still connects
            server_side = local if self._is_server else remote
            if self._only_from is not None and plain_address(remote[0]) != self._only_from:
                self._known.add(key)
                sock.shutdown(socket.SHUT_RDWR)
                return
            if control < 3:  # 0 to 2 are never the library's: the control connection comes before all others
                return
            self._known.add(key)
            if key[0] != control and self._port not in (0, server_side[1]):
                return
            abandon_dead_peer(sock, self._limit_s)
            if key[0] != control:
                self._add_stream(sock, key, local, remote)

    def _add_stream(self, sock: socket.socket, key: tuple[int, int], local: Any, remote: Any) -> None:
        stream = self._streams[key] = _Stream()
        if self._cpu_from is None:
            self._cpu_from = (time.monotonic(), time.process_time())
            self._tell(
                "connected",
                local=_plain(local[0]),
                remote=_plain(remote[0]),
                congestion_control=_congestion_control(sock) if self._is_sender else None,
            )
        self._read(sock, stream)

    def _read(self, sock: socket.socket, stream: _Stream) -> None:
        info = read_tcp_info(sock)
        if info is None:
            return
        if self._is_sender:
            counted = info.bytes_acked - (0 if self._is_server else SYN_BYTES + COOKIE_BYTES)
            stream.rtt_ms = info.rtt_ms
            stream.retransmits = info.total_retrans
            stream.mss_bytes = info.snd_mss_bytes
            if info.snd_wnd_bytes is not None:
                stream.window_bytes = max(stream.window_bytes or 0, info.snd_wnd_bytes)
        else:
            counted = info.bytes_received - (COOKIE_BYTES if self._is_server else 0)
        stream.payload = max(stream.payload, counted)

    # -- the samples ---------------------------------------------------------------------------------------------

    def _payload(self) -> int:
        return sum(stream.payload for stream in self._streams.values())

    def _all_up(self) -> bool:
        return len(self._streams) >= self._expected and all(stream.payload for stream in self._streams.values())

    def _counted_as(self) -> CountedAs:
        return CountedAs.ACKED if self._is_sender else CountedAs.RECEIVED

    def _zero(self) -> Sample:
        return Sample(0.0, (0,) * len(self._streams), self._counted_as())

    def _sample(self, at_s: float) -> Sample:
        streams = self._streams.values()
        return Sample(
            at_s=round(at_s, 6),
            stream_bytes=tuple(stream.payload for stream in streams),
            counted_as=self._counted_as(),
            rtt_ms=tuple(stream.rtt_ms for stream in streams) if self._is_sender else None,
            retransmits=sum(stream.retransmits for stream in streams) if self._is_sender else None,
        )


def _next_due_s(at_s: float, total_s: float) -> float:
    """Return when the next sample is due: a whole number of periods after the start, or just before the
    end."""
    due_s = (int(at_s / SAMPLE_PERIOD_S) + 1) * SAMPLE_PERIOD_S
    last_s = total_s - _LAST_MARGIN_S
    return min(due_s, last_s) if at_s < last_s else due_s


def _sockets() -> list[tuple[int, tuple[int, int]]]:
    """Return the process's sockets: descriptor, and what tells it from a later socket of the same number."""
    found = []
    for name in sorted(os.listdir(_DESCRIPTORS), key=int):  # noqa: PTH208  # ten times a second: no objects
        with suppress(OSError):  # closed meanwhile
            status = os.fstat(int(name))
            if stat.S_ISSOCK(status.st_mode):
                found.append((int(name), (int(name), status.st_ino)))
    return found


def _borrow(descriptor: int, use: Callable[[socket.socket], None]) -> None:
    """Use a descriptor that belongs to somebody else, and leave it open. What fails because it was closed meanwhile, or
    is not connected yet, is passed over."""
    try:
        sock = socket.socket(fileno=descriptor)
    except OSError:
        return
    try:
        with suppress(OSError):
            use(sock)
    finally:
        sock.detach()


def _ignore_silent_clients(listener: socket.socket) -> None:
    """Hand a connection over only once it has sent something (TCP_DEFER_ACCEPT; Linux): libiperf reads the first bytes
    of the first connection without a time limit, so that an idle one would block it."""
    option = getattr(socket, "TCP_DEFER_ACCEPT", None)
    if option is not None:
        listener.setsockopt(socket.IPPROTO_TCP, option, SILENT_CLIENT_LIMIT_S)


def _congestion_control(sock: socket.socket) -> str | None:
    option = getattr(socket, "TCP_CONGESTION", None)
    if option is None:
        return None
    try:
        return sock.getsockopt(socket.IPPROTO_TCP, option, 16).split(b"\0")[0].decode()
    except OSError:
        return None


def _plain(address: str) -> str:
    """An IPv4 address without the wrapping that a listener on all addresses puts around it (RFC 4291, 2.5.5.2)."""
    return address.removeprefix("::ffff:") if "." in address else address
