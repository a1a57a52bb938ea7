"""Lets the kernel give up on a TCP connection whose peer has gone silent, in seconds instead of a quarter of an hour.

By itself Linux retransmits for about 924 s (``tcp_retries2`` = 15) before it tells a program that the path is dead.
``TCP_USER_TIMEOUT`` (RFC 5482; Linux) bounds that for data in flight, keepalive probes (RFC 9293, 3.8.4) find out about
a connection on which this end only waits. Each system offers a part of it. May import the standard library only.
"""

import socket

_KEEPALIVE_IDLE_S = 1
_KEEPALIVE_INTERVAL_S = 1


def abandon_dead_peer(sock: socket.socket, limit_s: float) -> tuple[str, ...]:
    """Ask that the connection fails when the peer has been silent for about ``limit_s`` seconds (>= 1).

    Returns the names of the options that were set, none when the system offers nothing. A socket that is closed
    already takes none, without complaint.
    """
    wanted = (
        ("TCP_USER_TIMEOUT", socket.IPPROTO_TCP, round(limit_s * 1000)),
        ("TCP_KEEPIDLE", socket.IPPROTO_TCP, _KEEPALIVE_IDLE_S),
        ("TCP_KEEPALIVE", socket.IPPROTO_TCP, _KEEPALIVE_IDLE_S),  # macOS's name for the idle time
        ("TCP_KEEPINTVL", socket.IPPROTO_TCP, _KEEPALIVE_INTERVAL_S),
        ("TCP_KEEPCNT", socket.IPPROTO_TCP, max(1, round(limit_s) - _KEEPALIVE_IDLE_S)),
        ("SO_KEEPALIVE", socket.SOL_SOCKET, 1),
    )
    return tuple(name for name, level, value in wanted if _set(sock, level, name, value))


def _set(sock: socket.socket, level: int, name: str, value: int) -> bool:
    option = getattr(socket, name, None)
    if option is None:
        return False
    try:
        sock.setsockopt(level, option, value)
    except OSError:
        return False
    return True
