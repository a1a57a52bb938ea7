"""What the kernel tells of a connection is read from the right places.

Source of the offsets: struct tcp_info in linux include/uapi/linux/tcp.h; the bytes here are built by hand from it.
"""

import socket
import struct
import sys

import pytest

from sitetest_wire.dead_peer import abandon_dead_peer
from sitetest_wire.tcp_info import decode_tcp_info, read_tcp_info

# Eight single bytes, then 24 u32, then u64 pacing_rate, max_pacing_rate, bytes_acked, bytes_received, and u32 after it.
_HEAD = bytes(8)


def _answer(length: int = 232) -> bytes:
    words = [0] * 24
    words[2] = 1_448  # tcpi_snd_mss
    words[15] = 12_500  # tcpi_rtt, us: the 16th u32 after the single bytes
    words[21] = 15_250  # tcpi_rcv_rtt, us
    words[23] = 42  # tcpi_total_retrans
    body = _HEAD + struct.pack("=24I", *words)
    assert len(body) == 104
    body += struct.pack("=4Q", 1, 2, 3_000_000_000_000, 4_000_000_000_000)
    body += struct.pack("=6I", 0, 0, 0, 9_750, 0, 0)  # segs_out, segs_in, notsent_bytes, min_rtt, ...
    body += struct.pack("=4Q2I2Q2I", *[0] * 10)  # delivery_rate to sndbuf_limited, delivered*, bytes_*, dsack, reord
    body += struct.pack("=2I", 0, 3_145_728)  # rcv_ooopack, snd_wnd
    assert len(body) == 232
    return body[:length]


def test_every_value_is_read_from_its_place() -> None:
    """Milliseconds for times; byte counts above 32 bits."""
    info = decode_tcp_info(_answer())
    assert info is not None
    assert (info.rtt_ms, info.rcv_rtt_ms, info.min_rtt_ms) == (12.5, 15.25, 9.75)
    assert (info.snd_mss_bytes, info.snd_wnd_bytes) == (1_448, 3_145_728)
    assert (info.total_retrans, info.bytes_acked, info.bytes_received) == (42, 3_000_000_000_000, 4_000_000_000_000)


@pytest.mark.parametrize(("length", "known"), [(0, False), (104, False), (135, False), (136, True)])
def test_a_short_answer_of_an_old_kernel_is_no_answer(length: int, known: bool) -> None:
    """What is not there is None, never 0."""
    info = decode_tcp_info(_answer(length))
    assert (info is not None) is known
    if info is not None:
        assert info.min_rtt_ms is None
        assert info.snd_wnd_bytes is None


@pytest.mark.parametrize(("length", "window_bytes"), [(231, None), (232, 3_145_728)])
def test_the_window_is_none_on_a_kernel_that_ends_before_it(length: int, window_bytes: int | None) -> None:
    """tcpi_snd_wnd came in Linux 5.4 (from memory), as the last of 232 bytes (linux/tcp.h)."""
    info = decode_tcp_info(_answer(length))
    assert info is not None
    assert info.snd_wnd_bytes == window_bytes
    assert info.snd_mss_bytes == 1_448


def _pair() -> tuple[socket.socket, socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        client = socket.create_connection(listener.getsockname())
        return client, listener.accept()[0]


@pytest.mark.skipif(sys.platform != "linux", reason="TCP_INFO is Linux")
def test_a_live_connection_counts_what_was_sent() -> None:
    """The receiver's kernel counts the bytes; the sender's counts them acknowledged, and the SYN before them."""
    client, server = _pair()
    with client, server:
        client.sendall(bytes(10_000))
        assert len(server.recv(10_000, socket.MSG_WAITALL)) == 10_000
        server.sendall(b"!")  # its arrival carries the acknowledgement
        client.recv(1)
        at_client, at_server = read_tcp_info(client), read_tcp_info(server)
        mss_bytes = client.getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG)  # tcp(7), another way to ask
    assert at_client is not None
    assert at_server is not None
    assert (at_server.bytes_received, at_client.bytes_received) == (10_000, 1)
    assert at_client.bytes_acked == 10_000 + 1
    assert at_client.snd_mss_bytes == mss_bytes
    if at_client.snd_wnd_bytes is not None:
        assert at_client.snd_wnd_bytes > 10_000, "the receiver took that many without a word"


def test_a_socket_that_is_not_tcp_gives_no_answer() -> None:
    """Neither a datagram socket nor a closed one raises."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams:
        assert read_tcp_info(datagrams) is None
    assert read_tcp_info(datagrams) is None


def test_a_dead_peer_is_given_up() -> None:
    """The options that the system has are set to the limit, and named."""
    client, server = _pair()
    with client, server:
        done = abandon_dead_peer(client, 10)
        assert "SO_KEEPALIVE" in done
        assert client.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        if sys.platform == "linux":
            assert client.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000
            assert client.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) == 1
            assert client.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT) == 9
    assert abandon_dead_peer(client, 10) == ()
