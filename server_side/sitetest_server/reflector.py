"""The reflector for latency: RFC 8762, unauthenticated mode, stateless (the reply's sequence number is the sender's).

Answers nobody but the holder of an active lease, and nobody with more octets than came: a packet is answered when it
carries the token of a lease (see `sitetest_wire.stamp_token`), comes from that lease's host where one was named, is
within the lease's pace, and was not cut. Everything else gets silence and is counted.

Receive stamps are the kernel's where it gives any, so that a reply's residence time, which the sender takes out, is
right also when this process is busy. May import sitetest_wire and the standard library only.
"""

import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from typing import Self

from sitetest_wire.stamp import ReflectorPacket, SenderPacket, error_estimate, ntp_from_unix_ns
from sitetest_wire.stamp_token import TOKEN_BYTES, recognised, token_of
from sitetest_wire.stamped_datagrams import Datagram, StampedSocket, open_stamped

MOST_PACKETS_PER_S = 200.0
"""Pace of one lease: four times the agent's usual 50 a second."""

BURST_PACKETS = 200.0
"""What one lease may have at once: what piles up while this process is held up for a second at the most pace."""

MOST_TOKENS = 64
"""Leases that can be admitted at the same time."""

KERNEL_ERROR_S = 0.0002
USER_ERROR_S = 0.005
"""Error stated for the stamps of a reply. Measured on loopback, with both cores full and without load: the 99th
percentile of a round trip is at most 0.19 ms with kernel stamps, and 4.9 ms with those of a busy program."""

NO_TTL = 0
"""Stated where the system does not tell the TTL of what arrived."""


@dataclass(slots=True)
class ReflectorCounts:
    """What was done with packets: answered, or left in silence because of the sender (no valid token, another host, cut
    or too short), because of its pace, or because the system did not take the reply."""

    answered: int = 0
    unknown: int = 0
    too_fast: int = 0
    not_sent: int = 0


@dataclass(slots=True)
class _Admission:
    until_s: float
    host: str | None
    left: float
    filled_at_s: float

    def takes(self, now_s: float) -> bool:
        """Take one packet from the lease's pace; False when none is left."""
        self.left = min(BURST_PACKETS, self.left + (now_s - self.filled_at_s) * MOST_PACKETS_PER_S)
        self.filled_at_s = now_s
        if self.left < 1:
            return False
        self.left -= 1
        return True


class Reflector:
    """See the module's docstring. Made by :meth:`open`; used from one event loop."""

    def __init__(self, *, clock: Callable[[], float], wall_ns: Callable[[], int]) -> None:
        self._clock = clock
        self._wall_ns = wall_ns
        self._admitted: dict[bytes, _Admission] = {}
        self._stamped: StampedSocket | None = None
        self.counts = ReflectorCounts()

    @classmethod
    async def open(
        cls,
        address: str | None = None,
        port: int = 0,
        *,
        clock: Callable[[], float] = time.monotonic,
        wall_ns: Callable[[], int] = time.time_ns,
        kernel: bool | None = None,
    ) -> Self:
        """Bind and begin to answer. address: None for every address of the machine, both families where there are two.

        port: 0 lets the system choose. clock: seconds, the one that ``until_s`` is on. kernel: False does without
        kernel stamps. Raises OSError.
        """
        reflector = cls(clock=clock, wall_ns=wall_ns)
        reflector._stamped = await open_stamped(
            _bound(address, port), reflector._take, reflector._pass_over, wall_ns=wall_ns, kernel=kernel
        )
        return reflector

    @property
    def port(self) -> int:
        """The UDP port."""
        return int(self._open_socket().name[1])

    @property
    def kernel_stamps(self) -> bool:
        """Whether receive stamps are the kernel's."""
        return self._open_socket().kernel_stamps

    def admit(self, token: bytes, *, until_s: float, host: str | None = None) -> None:
        """Answer packets with this token until that time of the clock, or until it is revoked.

        token: TOKEN_BYTES of a good random source, for one lease. host: answer that IP address only; None for any.
        Raises ValueError for a token of another length, or when MOST_TOKENS are admitted.
        """
        if len(token) != TOKEN_BYTES:
            raise ValueError(f"a token has {TOKEN_BYTES} octets, this one {len(token)}")
        now_s = self._clock()
        for old in [known for known, admission in self._admitted.items() if admission.until_s <= now_s]:
            del self._admitted[old]
        if token not in self._admitted and len(self._admitted) >= MOST_TOKENS:
            raise ValueError(f"{MOST_TOKENS} tokens are admitted already")
        named = None if host is None else _plain(host)
        self._admitted[token] = _Admission(until_s, named, BURST_PACKETS, now_s)

    def revoke(self, token: bytes) -> None:
        """Answer this token no more. Nothing happens when it is not admitted."""
        self._admitted.pop(token, None)

    def close(self) -> None:
        """Answer nobody any more. May be called again."""
        self._admitted.clear()
        if self._stamped is not None:
            self._stamped.close()

    def _open_socket(self) -> StampedSocket:
        if self._stamped is None:
            raise RuntimeError("a reflector is made by Reflector.open()")
        return self._stamped

    def _take(self, datagram: Datagram) -> None:
        if not self._knows(datagram):
            return
        reply = answer(datagram, self._wall_ns())
        try:
            self._open_socket().send(reply, datagram.sender, datagram.local)
        except OSError:  # a full buffer, a route that is gone: for the sender a packet lost on the way
            self.counts.not_sent += 1
        else:
            self.counts.answered += 1

    def _knows(self, datagram: Datagram) -> bool:
        token = None if datagram.cut else token_of(datagram.octets)
        admission = None if token is None else self._admitted.get(token)
        now_s = self._clock()
        if (
            admission is None
            or now_s >= admission.until_s
            or (admission.host is not None and _plain(str(datagram.sender[0])) != admission.host)
        ):
            self.counts.unknown += 1
            return False
        if not admission.takes(now_s):
            self.counts.too_fast += 1
            return False
        return True

    def _pass_over(self, _problem: OSError) -> None:
        """What the network says of earlier replies (port closed, no route) concerns their receivers only."""


def answer(datagram: Datagram, sent_ns: int) -> bytes:
    """Return the reply to a packet with a token: exactly as long. sent_ns: Unix time at which it leaves."""
    packet = SenderPacket.decode(datagram.octets)
    reply = ReflectorPacket(
        sequence=packet.sequence,
        timestamp=ntp_from_unix_ns(sent_ns),
        error=error_estimate(KERNEL_ERROR_S if datagram.by_kernel else USER_ERROR_S),
        receive_timestamp=ntp_from_unix_ns(datagram.received_ns),
        sender_sequence=packet.sequence,
        sender_timestamp=packet.timestamp,
        sender_error=packet.error,
        sender_ttl=NO_TTL if datagram.ttl is None else datagram.ttl,
    ).encode()
    return reply + recognised(datagram.octets[len(reply) :])


def _bound(address: str | None, port: int) -> socket.socket:
    if address is None:
        if socket.has_dualstack_ipv6():
            sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
            try:
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
                sock.bind(("::", port))
            except OSError:
                sock.close()
            else:
                return sock
        address = "0.0.0.0"
    family, kind, protocol, _, where = socket.getaddrinfo(
        address, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
    )[0]
    sock = socket.socket(family, kind, protocol)
    try:
        sock.bind(where)
    except OSError:
        sock.close()
        raise
    return sock


def _plain(host: str) -> str:
    """An address without zone, and an IPv4 address as such also on a socket of both families."""
    address = ip_address(host.partition("%")[0])
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return str(mapped or address)
