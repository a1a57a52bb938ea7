"""What every prober of a reflector does alike: a connected socket, a packet, its reply, and the grid of their times.

May import sitetest_wire, observe.round_trip and the standard library only.
"""

import errno
import socket
from collections.abc import Callable

from sitetest.observe.round_trip import ClockReading
from sitetest_wire.stamp import ReflectorPacket, SenderPacket, error_estimate, ntp_from_unix_ns
from sitetest_wire.stamped_datagrams import Address, Datagram, StampedSocket, open_stamped

SENDER_ERROR_S = 0.005
"""Error stated for the times of our packets: this program's own stamps, late by up to this when both cores are full."""

NO_ROUTE = frozenset({errno.ENETUNREACH, errno.EHOSTUNREACH, errno.EADDRNOTAVAIL, errno.ENETDOWN})
"""What a system says that has no way for a packet: no route, no address, no carrier."""

_SEQUENCES = 0xFFFFFFFF
_ERROR_ESTIMATE = error_estimate(SENDER_ERROR_S)


async def open_connected(
    address: Address,
    on_datagram: Callable[[Datagram], None],
    on_error: Callable[[OSError], None],
    *,
    wall_ns: Callable[[], int],
    kernel: bool | None = None,
) -> StampedSocket:
    """Open a socket to one reflector: datagrams of others never reach it, and refusals do.

    address: as getaddrinfo gives it for UDP, with an IP address, so that nothing is looked up here. on_datagram,
    on_error, wall_ns, kernel: see :func:`open_stamped`. Raises OSError when there is no way to it.
    """
    family = socket.AF_INET6 if ":" in str(address[0]) else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_DGRAM)
    try:
        sock.connect(address)
    except OSError:
        sock.close()
        raise
    return await open_stamped(sock, on_datagram, on_error, wall_ns=wall_ns, kernel=kernel)


def probe_packet(sequence: int, sent: ClockReading) -> bytes:
    """Return the octets of a probe without what may follow them. sequence: travels modulo 2^32."""
    return SenderPacket(sequence & _SEQUENCES, ntp_from_unix_ns(sent.wall_ns), _ERROR_ESTIMATE).encode()


def answers(reply: ReflectorPacket, sent: ClockReading) -> bool:
    """Whether a reply with a probe's number is the reply to that probe: it must bring back its time as well."""
    return reply.sender_timestamp == ntp_from_unix_ns(sent.wall_ns)


def next_due_s(due_s: float, now_s: float, interval_s: float) -> float:
    """Return the next point of the grid that ``due_s`` lies on: never before ``now_s``, so that missed points are left
    out instead of being made up for in a burst."""
    due_s += interval_s
    if due_s < now_s:
        due_s += ((now_s - due_s) // interval_s + 1) * interval_s
    return due_s
