"""What the kernel knows about one TCP connection of ours (``TCP_INFO``). Linux only; elsewhere there is no answer.

The offsets are those of ``struct tcp_info`` in Linux's ``include/uapi/linux/tcp.h``, which only ever grows at its end.
May import the standard library only.
"""

import socket
import struct
import sys
from dataclasses import dataclass

_TCP_INFO = 11  # linux/tcp.h
_ENOUGH_BYTES = 512
_RTT_US = (68, "<I" if sys.byteorder == "little" else ">I")
_SND_MSS = (16, _RTT_US[1])
_RCV_RTT_US = (92, _RTT_US[1])
_TOTAL_RETRANS = (100, _RTT_US[1])
_BYTES_ACKED = (120, "<Q" if sys.byteorder == "little" else ">Q")
_BYTES_RECEIVED = (128, _BYTES_ACKED[1])
_MIN_RTT_US = (148, _RTT_US[1])
_SND_WND = (228, _RTT_US[1])
_SHORTEST = 136
"""Bytes up to and with ``tcpi_bytes_received``, which came in Linux 4.1; an older kernel gives no answer."""


@dataclass(frozen=True, slots=True)
class TcpInfo:
    """One look at a connection.

    rtt_ms: smoothed round-trip time of what this end sends; without meaning at a mere receiver. rcv_rtt_ms: the
    receiver's own estimate of it; 0 until known. min_rtt_ms: smallest round-trip time of late; None on old kernels.
    total_retrans: segments sent again. bytes_acked: bytes that the far kernel has acknowledged, plus one for the SYN at
    the end that opened the connection. bytes_received: bytes that arrived here in order. snd_mss_bytes: largest segment
    of payload that this end sends. snd_wnd_bytes: receive window that the far end offers; None before Linux 5.4.
    """

    rtt_ms: float
    rcv_rtt_ms: float
    min_rtt_ms: float | None
    total_retrans: int
    bytes_acked: int
    bytes_received: int
    snd_mss_bytes: int
    snd_wnd_bytes: int | None


def tells_here() -> bool:
    """Whether this system tells anything at all."""
    return sys.platform == "linux"


def decode_tcp_info(answer: bytes) -> TcpInfo | None:
    """Read the kernel's answer; None when it is too short to hold the byte counts."""
    if len(answer) < _SHORTEST:
        return None

    def at(place: tuple[int, str]) -> int:
        value: int = struct.unpack_from(place[1], answer, place[0])[0]
        return value

    return TcpInfo(
        rtt_ms=at(_RTT_US) / 1000,
        rcv_rtt_ms=at(_RCV_RTT_US) / 1000,
        min_rtt_ms=at(_MIN_RTT_US) / 1000 if len(answer) >= _MIN_RTT_US[0] + 4 else None,
        total_retrans=at(_TOTAL_RETRANS),
        bytes_acked=at(_BYTES_ACKED),
        bytes_received=at(_BYTES_RECEIVED),
        snd_mss_bytes=at(_SND_MSS),
        snd_wnd_bytes=at(_SND_WND) if len(answer) >= _SND_WND[0] + 4 else None,
    )


def read_tcp_info(sock: socket.socket) -> TcpInfo | None:
    """Look at a TCP socket; None where the system does not tell, or the socket is not (or no longer) one of TCP."""
    if not tells_here():
        return None
    try:
        return decode_tcp_info(sock.getsockopt(socket.IPPROTO_TCP, _TCP_INFO, _ENOUGH_BYTES))
    except OSError:
        return None
