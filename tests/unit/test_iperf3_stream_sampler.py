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


def _sampler(connections: Connections, told: Told, *, is_server: bool, is_sender: bool, total_s: float = 60.0) -> Any:
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
    """All four seats: client or server, sending or receiving; to the byte, in the order of the streams."""
    told = Told()
    sampler = _sampler(connections, told, is_server=is_server, is_sender=is_sender)
    try:
        pairs = [connections.open(bytes(COOKIE_BYTES)) for _ in range(2)]
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
