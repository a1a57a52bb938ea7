"""The sampler finds a library's connections among the process's own sockets and counts their payload.

The connections here are made by the test, as libiperf makes them: a control connection first, then the data
connections, each of which starts with a cookie of 37 bytes.
"""

import queue
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from socket_filters import needs_filter

from sitetest_wire import stream_sampler
from sitetest_wire.samples import Sample
from sitetest_wire.stream_sampler import StreamSampler
from sitetest_wire.words import CountedAs

COOKIE_BYTES = 37  # COOKIE_SIZE in iperf_api.h of esnet/iperf

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="TCP_INFO is Linux")


class Connections:
    """A listener, a control connection, and data connections, with both ends in this process."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self.listener = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        self.port: int = self.listener.getsockname()[1]
        self.control, self.control_at_server = self.open()

    def open(self, first: bytes = b"") -> tuple[socket.socket, socket.socket]:
        """Open a connection on which the client says ``first``; returns its client's and its server's end."""
        client = self._stack.enter_context(socket.create_connection(("127.0.0.1", self.port)))
        client.sendall(first)
        server = self._stack.enter_context(self.listener.accept()[0])
        return client, server


class Told:
    """Takes what the sampler tells."""

    def __init__(self) -> None:
        self.events: queue.Queue[tuple[str, dict[str, Any]]] = queue.Queue()

    def __call__(self, event: str, **facts: Any) -> None:
        self.events.put((event, facts))

    def until(self, wanted: str) -> dict[str, Any]:
        """Wait for the next event of a kind."""
        while True:
            event, facts = self.events.get(timeout=10)
            if event == wanted:
                return facts

    def sample(self, total_bytes: int) -> Sample:
        """Wait for a sample with that many bytes."""
        while True:
            sample = Sample.from_json(self.until("sample")["sample"])
            if sample.total_bytes >= total_bytes:
                return sample


@pytest.fixture
def connections() -> Iterator[Connections]:
    """Closed after the test."""
    with ExitStack() as stack:
        yield Connections(stack)


def _sampler(
    connections: Connections,
    told: Told,
    *,
    is_server: bool,
    is_sender: bool,
    total_s: float = 60.0,
    only_from: str | None = None,
) -> Any:
    control = connections.control_at_server if is_server else connections.control
    sampler = StreamSampler(
        port=connections.port,
        is_server=is_server,
        is_sender=is_sender,
        streams=2,
        total_s=total_s,
        limit_s=10,
        control_socket=control.fileno,
        tell=told,
        only_from=only_from,
    )
    sampler.start()
    return sampler


def _exchange(sender: socket.socket, receiver: socket.socket, count: int) -> None:
    pouring = threading.Thread(target=sender.sendall, args=(bytes(count),))
    pouring.start()
    receiver.recv(count, socket.MSG_WAITALL)
    pouring.join()


@pytest.mark.parametrize("is_server", [False, True])
@pytest.mark.parametrize("is_sender", [False, True])
def test_payload_is_counted_without_cookie_and_control(
    connections: Connections, is_server: bool, is_sender: bool
) -> None:
    """All four seats: client or server, sending or receiving; to the byte, in the order of the streams.

    That is the order of descriptors. Here, unlike in a worker, another part of the program may have freed a lower one.
    """
    told = Told()
    sampler = _sampler(connections, told, is_server=is_server, is_sender=is_sender)
    try:
        pairs = [connections.open(bytes(COOKIE_BYTES)) for _ in range(2)]
        pairs.sort(key=lambda pair: pair[is_server].fileno())
        for _, server in pairs:
            server.recv(COOKIE_BYTES, socket.MSG_WAITALL)
        connections.control.sendall(bytes(5000))
        told.until("connected")
        for (client, server), count in zip(pairs, (100_000, 50_000), strict=True):
            sender, receiver = (server, client) if is_sender is is_server else (client, server)
            _exchange(sender, receiver, count)
        sample = told.sample(150_000)
    finally:
        sampler.stop()
    assert sample.stream_bytes == (100_000, 50_000)
    assert sample.counted_as is (CountedAs.ACKED if is_sender else CountedAs.RECEIVED)
    assert (sample.rtt_ms is not None, sample.retransmits is not None) == (is_sender, is_sender)


def test_counts_outlive_their_sockets(connections: Connections) -> None:
    """A library that closes a stream before the others does not take its bytes back."""
    told = Told()
    sampler = _sampler(connections, told, is_server=False, is_sender=False)
    try:
        first, second = (connections.open(bytes(COOKIE_BYTES)) for _ in range(2))
        _exchange(first[1], first[0], 1000)
        _exchange(second[1], second[0], 1000)
        told.sample(2000)
        first[0].close()
        _exchange(second[1], second[0], 1000)
        sample = told.sample(3000)
    finally:
        sampler.stop()
    assert sample.stream_bytes == (1000, 2000)


def test_the_first_sample_is_the_last_look_before_the_first_byte(connections: Connections) -> None:
    """The start of the transfer is known to a few milliseconds, and samples end with the sender's time."""
    told = Told()
    sampler = _sampler(connections, told, is_server=False, is_sender=False, total_s=0.3)
    try:
        pairs = [connections.open(bytes(COOKIE_BYTES)) for _ in range(2)]
        told.until("connected")
        for client, server in pairs:
            _exchange(server, client, 1000)
        samples = []
        while (event := told.events.get(timeout=10))[0] == "sample":
            samples.append(Sample.from_json(event[1]["sample"]))
        assert event[0] == "alive"
        _exchange(pairs[0][1], pairs[0][0], 1000)
        told.until("alive")
    finally:
        sampler.stop()
    assert (samples[0].at_s, samples[0].total_bytes) == (0.0, 0)
    assert samples[1].at_s < 0.1
    assert 0.1 < samples[-1].at_s <= 0.3
    assert samples[-1].total_bytes == 2000


def test_sockets_are_only_borrowed(connections: Connections) -> None:
    """The library's descriptors stay open, and no duplicate keeps a connection alive after its close."""
    told = Told()
    sampler = _sampler(connections, told, is_server=False, is_sender=False)
    try:
        client, server = connections.open(bytes(COOKIE_BYTES))
        server.recv(COOKIE_BYTES, socket.MSG_WAITALL)
        told.until("connected")
        _exchange(server, client, 1000)
        client.close()
        server.settimeout(5)
        assert server.recv(1) == b""
    finally:
        sampler.stop()
    connections.control.sendall(b"still open")
    assert connections.control.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1


def test_a_listener_hands_nothing_over_that_says_nothing(connections: Connections) -> None:
    """An idle connection is not accepted (TCP_DEFER_ACCEPT, tcp(7)); one that speaks is."""
    told = Told()
    sampler = _sampler(connections, told, is_server=True, is_sender=False)
    try:
        assert told.until("listening")["port"] == connections.port
        connections.listener.settimeout(0.2)
        with socket.create_connection(("127.0.0.1", connections.port)):
            with pytest.raises(TimeoutError):
                connections.listener.accept()
            connections.listener.settimeout(5)
            _, server = connections.open(b"cookie")
            assert server.recv(6) == b"cookie"
    finally:
        sampler.stop()


@needs_filter
def test_a_server_for_one_host_hears_no_other(connections: Connections) -> None:
    """All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3): 127.0.0.2 is a stranger to a host for 127.0.0.1."""
    told = Told()
    sampler = _sampler(connections, told, is_server=True, is_sender=False, only_from="127.0.0.1")
    try:
        told.until("listening")
        with socket.socket() as stranger:
            stranger.bind(("127.0.0.2", 0))
            stranger.settimeout(0.2)
            with pytest.raises(TimeoutError):
                stranger.connect(("127.0.0.1", connections.port))
        connections.listener.settimeout(5)
        _, server = connections.open(b"cookie")
        assert server.recv(6) == b"cookie"
    finally:
        sampler.stop()


def test_a_stranger_that_was_accepted_all_the_same_is_cut_off_and_counted_nowhere(
    connections: Connections, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the kernel cannot keep strangers away, and in the moment before it was told to."""

    def cannot(listener: socket.socket, address: object) -> None:
        raise OSError("no such filter")

    monkeypatch.setattr(stream_sampler, "hear_only", cannot)
    told = Told()
    sampler = _sampler(connections, told, is_server=True, is_sender=False, only_from="127.0.0.1")
    try:
        told.until("listening")
        connections.listener.settimeout(5)
        with socket.socket() as stranger:
            stranger.bind(("127.0.0.2", 0))
            stranger.settimeout(5)
            stranger.connect(("127.0.0.1", connections.port))
            stranger.sendall(bytes(COOKIE_BYTES))
            with connections.listener.accept()[0]:
                assert stranger.recv(1) == b"", "ended by the server's end"
        client, server = connections.open(bytes(COOKIE_BYTES))
        server.recv(COOKIE_BYTES, socket.MSG_WAITALL)
        assert told.until("connected")["remote"] == "127.0.0.1"
        _exchange(client, server, 1000)
        assert told.sample(1000).stream_bytes == (1000,)
    finally:
        sampler.stop()


@pytest.mark.parametrize("is_sender", [False, True])
def test_segments_and_window_are_known_to_the_sender_only(connections: Connections, is_sender: bool) -> None:
    """TCP_MAXSEG (tcp(7)) asks the same kernel in another way; the window is what the receiver's buffer gives."""
    told = Told()
    sampler = _sampler(connections, told, is_server=False, is_sender=is_sender)
    try:
        client, server = connections.open(bytes(COOKIE_BYTES))
        server.recv(COOKIE_BYTES, socket.MSG_WAITALL)
        told.until("connected")
        _exchange(*((client, server) if is_sender else (server, client)), 1000)
        told.sample(1000)
    finally:
        sampler.stop()
    if not is_sender:
        assert (sampler.mss_bytes, sampler.receive_window_bytes) == (None, None)
        return
    assert sampler.mss_bytes == client.getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG)
    assert sampler.receive_window_bytes is not None
    assert 1000 < sampler.receive_window_bytes <= 2 * server.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
