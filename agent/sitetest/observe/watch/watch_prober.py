"""Sends the probes of the watch and takes their answers, for days, and opens its socket anew when it must.

A connected socket keeps the address that the laptop had when it was opened. So another one is opened when this system
does not take a packet, when nothing has answered for a while (the laptop's address, a router's table), after waking and
for another reflector. The one before stays open until its probes are decided, so that no late answer is thrown away.

Holds the clock readings of the undecided probes and at most a few sockets. Never raises for what the network does. May
import sitetest_wire, observe and the standard library only.
"""

import errno
from collections import deque
from collections.abc import Callable

from sitetest.observe.probe_packets import answers, open_connected, probe_packet
from sitetest.observe.prober import TIMEOUT_S
from sitetest.observe.round_trip import ClockReading, ProbeClocks, round_trip
from sitetest.observe.watch.path_ledger import PathLedger
from sitetest_wire.stamp import ReflectorPacket
from sitetest_wire.stamp_token import token_tlv
from sitetest_wire.stamped_datagrams import Address, Datagram, StampedSocket

REOPEN_AFTER_S = 2.0
"""So long after the last answer, and after the last opening, the socket is opened anew."""

_SEQUENCES = 1 << 32
_REFUSED = {errno.ECONNREFUSED, errno.ECONNRESET}  # Windows reports a closed port of UDP as a reset
_FULL = {errno.EAGAIN, errno.ENOBUFS}


class WatchProber:
    """on_refused: called when this system is told that nothing listens there. kernel: see :func:`open_connected`."""

    def __init__(
        self,
        ledger: PathLedger,
        on_refused: Callable[[], None],
        *,
        clocks: ProbeClocks,
        kernel: bool | None = None,
    ) -> None:
        self._ledger = ledger
        self._on_refused = on_refused
        self._clocks = clocks
        self._kernel = kernel
        self._address: Address | None = None
        self._rest = b""
        self._socket: StampedSocket | None = None
        self._opened_s = 0.0
        self._before: deque[tuple[float, StampedSocket]] = deque()
        self._sent: dict[int, ClockReading] = {}

    def aim(self, address: Address, token: bytes | None) -> None:
        """Ask this reflector from the next probe on. address: as getaddrinfo gives it, with an IP address."""
        self._address = address
        self._rest = b"" if token is None else token_tlv(token)
        self.leave_socket()

    def leave_socket(self) -> None:
        """Open another socket for the next probe."""
        if self._socket is not None:
            self._before.append((self._clocks.monotonic_s() + TIMEOUT_S, self._socket))
            self._socket = None

    async def probe(self) -> None:
        """Send one probe. Opens a socket before when there is none; sends nothing and says so when that fails."""
        now_s = self._clocks.monotonic_s()
        self._let_go(now_s)
        if self._ledger.silent_s > REOPEN_AFTER_S and now_s - self._opened_s > REOPEN_AFTER_S:
            self.leave_socket()
        trouble = await self._open(now_s)
        now_s = self._clocks.monotonic_s()
        read = self._clocks.read()
        number = self._ledger.sent(now_s, read.wall_ns / 1e9)
        self._sent[number] = read
        if trouble is None:
            trouble = self._send(number, read)
        if trouble is not None:
            self._ledger.not_taken(number, no_route=trouble.errno not in _FULL)
            if trouble.errno not in _FULL:
                self.leave_socket()

    def close(self) -> None:
        """Close all sockets. May be called again."""
        self.leave_socket()
        self._let_go(float("inf"))
        self._sent.clear()

    # -- sending -------------------------------------------------------------------------------------------------

    async def _open(self, now_s: float) -> OSError | None:
        if self._socket is not None:
            return None
        if self._address is None:
            return OSError(errno.EHOSTUNREACH, "there is no reflector")
        self._opened_s = now_s
        try:
            self._socket = await open_connected(
                self._address, self._take, self._note, wall_ns=self._clocks.wall_ns, kernel=self._kernel
            )
        except OSError as problem:
            return problem
        return None

    def _send(self, number: int, read: ClockReading) -> OSError | None:
        octets = probe_packet(number, read) + self._rest
        for _ in range(2):
            try:
                self._socket.send(octets)  # type: ignore[union-attr]  # open, see above
            except OSError as problem:
                if problem.errno not in _REFUSED:
                    return problem
                self._note(problem)  # it tells what came back for an earlier probe; this one has not left
            else:
                return None
        return None  # refused twice in a row: lost like those before it

    def _let_go(self, now_s: float) -> None:
        while self._before and self._before[0][0] <= now_s:
            self._before.popleft()[1].close()
        for number in [number for number in self._sent if number < self._ledger.oldest]:
            del self._sent[number]

    # -- receiving -----------------------------------------------------------------------------------------------

    def _take(self, datagram: Datagram) -> None:
        read = self._clocks.read()
        now_s = self._clocks.monotonic_s()
        try:
            reply = ReflectorPacket.decode(datagram.octets)
        except ValueError:
            return  # too short to be an answer
        oldest = self._ledger.oldest
        number = oldest + (reply.sender_sequence - oldest) % _SEQUENCES
        sent = self._sent.get(number)
        if sent is None or not answers(reply, sent):
            return
        self._ledger.answered(number, now_s, round_trip(sent, read, datagram, reply).rtt_ms)

    def _note(self, problem: OSError) -> None:
        if problem.errno in _REFUSED:
            self._ledger.refused()
            self._on_refused()
