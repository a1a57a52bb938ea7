"""Asks a reflector for round trips while a test runs, and before and after it (RFC 8762, unauthenticated mode).

Any such reflector will do; ours wants the token of a lease. A probe leaves every INTERVAL_S by the clock; one that is
late is sent when it can be, and those that were missed meanwhile are left out, so that a busy laptop never sends a
burst. Never raises for anything that the network does: it keeps what it found, and why there is nothing.

May import sitetest_wire, observe and the standard library only.
"""

import asyncio
import errno
import socket
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass

from sitetest.observe.probe_packets import NO_ROUTE, answers, next_due_s, open_connected, probe_packet
from sitetest.observe.probe_record import LatencyRecord, NoLatency, NoRtt, Phase, Probe
from sitetest.observe.round_trip import ClockReading, ProbeClocks, RoundTrip, round_trip
from sitetest_wire.stamp import ReflectorPacket
from sitetest_wire.stamp_token import token_tlv
from sitetest_wire.stamped_datagrams import Datagram, StampedSocket

INTERVAL_S = 0.02
"""Fifty probes a second of 106 bytes in an Ethernet frame: 42 kbit/s each way."""

TIMEOUT_S = 2.0
"""A probe that is not answered by then is lost."""

LOOKUP_LIMIT_S = 4.0
"""How long finding the reflector's address may take."""

REFUSALS_ENOUGH = 3
"""So many refusals without a single answer mean that nothing listens there."""


@dataclass(slots=True)
class _Sent:
    phase: Phase
    at_s: float
    clocks: ClockReading
    outcome: RoundTrip | None = None
    timed_out: bool = False


class LatencyProber:
    """One session with one reflector.

        prober = LatencyProber((host, port), token)
        task = asyncio.create_task(prober.run())
        ...; prober.enter(Phase.LOADED); ...; prober.enter(Phase.IDLE_AFTER); ...
        record = await prober.finish()

    token: of the lease; None for a reflector that wants none. kernel: False does without kernel stamps.
    """

    def __init__(
        self,
        reflector: tuple[str, int],
        token: bytes | None = None,
        *,
        interval_s: float = INTERVAL_S,
        timeout_s: float = TIMEOUT_S,
        clocks: ProbeClocks | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        kernel: bool | None = None,
    ) -> None:
        self._reflector = reflector
        self._rest = b"" if token is None else token_tlv(token)
        self._interval_s = interval_s
        self._timeout_s = timeout_s
        self._clocks = clocks or ProbeClocks()
        self._sleep = sleep
        self._kernel = kernel
        self._phase = Phase.IDLE_BEFORE
        self._sent: list[_Sent] = []
        self._highest = -1
        self._answered = self._late = self._duplicates = self._reordered = self._refused = 0
        self._gave_up: NoLatency | None = None
        self._no_route = False
        self._stopping = False
        self._stopped = asyncio.Event()

    def enter(self, phase: Phase) -> None:
        """Mark the probes from now on."""
        self._phase = phase

    async def run(self) -> None:
        """Probe until :meth:`finish`, or until it is clear that nobody answers. Only a cancellation comes out of it."""
        try:
            stamped = await self._open()
            if stamped is None:
                return
            try:
                await self._probe(stamped)
                if self._gave_up is None:
                    await self._wait_for_the_last()
            finally:
                stamped.close()
        finally:
            self._stopped.set()

    async def finish(self) -> LatencyRecord:
        """Stop sending, give the last probes their time, and return what was found; also when :meth:`run` never was."""
        self._stopping = True
        with suppress(TimeoutError):
            async with asyncio.timeout(LOOKUP_LIMIT_S + self._timeout_s + 1.0):
                await self._stopped.wait()
        return self.record()

    def record(self) -> LatencyRecord:
        """Return what was found until now."""
        now_s = self._clocks.monotonic_s()
        probes = [self._fact(sequence, sent, now_s) for sequence, sent in enumerate(self._sent)]
        return LatencyRecord(
            probes=tuple(probe for probe in probes if probe is not None),
            late=self._late,
            duplicates=self._duplicates,
            reordered=self._reordered,
            why=self._reason(),
        )

    # -- sending -------------------------------------------------------------------------------------------------

    async def _open(self) -> StampedSocket | None:
        host, port = self._reflector
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(LOOKUP_LIMIT_S):
                found = await loop.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
        except (OSError, TimeoutError, UnicodeError):
            self._gave_up = NoLatency.NO_SUCH_HOST
            return None
        try:
            return await open_connected(
                found[0][4], self._take, self._note, wall_ns=self._clocks.wall_ns, kernel=self._kernel
            )
        except OSError:
            self._gave_up = NoLatency.NO_ROUTE
            return None

    async def _probe(self, stamped: StampedSocket) -> None:
        due_s = self._clocks.monotonic_s()
        while not self._stopping and self._gave_up is None:
            self._send(stamped)
            now_s = self._clocks.monotonic_s()
            due_s = next_due_s(due_s, now_s, self._interval_s)
            await self._sleep(max(due_s - now_s, 0.0))

    def _send(self, stamped: StampedSocket) -> None:
        sequence = len(self._sent)
        sent = _Sent(self._phase, self._clocks.monotonic_s(), self._clocks.read())
        self._sent.append(sent)
        try:
            stamped.send(probe_packet(sequence, sent.clocks) + self._rest)
        except OSError as problem:
            # A connected socket reports on sending what came back for an earlier probe, and sends nothing.
            sent.outcome = RoundTrip(None, why=NoRtt.NOT_SENT)
            self._note(problem)

    async def _wait_for_the_last(self) -> None:
        """Until every probe is answered or lost."""
        while any(self._on_its_way(sent, self._clocks.monotonic_s()) for sent in self._sent[-self._window :]):
            await self._sleep(self._interval_s)

    @property
    def _window(self) -> int:
        return int(self._timeout_s / self._interval_s) + 2

    # -- receiving -----------------------------------------------------------------------------------------------

    def _take(self, datagram: Datagram) -> None:
        read = self._clocks.read()
        try:
            reply = ReflectorPacket.decode(datagram.octets)
        except ValueError:
            return  # too short to be an answer
        sent = self._sent_as(reply)
        if sent is None:
            return
        sequence = reply.sender_sequence
        if sent.outcome is not None or sent.timed_out:
            self._duplicates += 1
            return
        self._reordered += sequence < self._highest
        self._highest = max(self._highest, sequence)
        self._answered += 1
        if self._clocks.monotonic_s() - sent.at_s > self._timeout_s:
            sent.timed_out = True
            self._late += 1
            return
        sent.outcome = round_trip(sent.clocks, read, datagram, reply)

    def _sent_as(self, reply: ReflectorPacket) -> _Sent | None:
        """The probe that a reply belongs to: its number and its time must both be ours."""
        if reply.sender_sequence >= len(self._sent):
            return None
        sent = self._sent[reply.sender_sequence]
        return sent if answers(reply, sent.clocks) else None

    def _note(self, problem: OSError) -> None:
        if self._answered:
            return
        self._no_route = problem.errno in NO_ROUTE
        if problem.errno == errno.ECONNREFUSED:
            self._refused += 1
            if self._refused >= REFUSALS_ENOUGH:
                self._gave_up = NoLatency.NO_REFLECTOR

    # -- telling -------------------------------------------------------------------------------------------------

    def _on_its_way(self, sent: _Sent, now_s: float) -> bool:
        return sent.outcome is None and not sent.timed_out and now_s - sent.at_s <= self._timeout_s

    def _fact(self, sequence: int, sent: _Sent, now_s: float) -> Probe | None:
        if self._on_its_way(sent, now_s):
            return None
        outcome = sent.outcome or RoundTrip(None, why=NoRtt.LOST)
        return Probe(sent.phase, sequence, sent.at_s, outcome.rtt_ms, outcome.stamps, outcome.why)

    def _reason(self) -> NoLatency | None:
        if self._answered:
            return None
        if self._gave_up is not None:
            return self._gave_up
        if self._no_route:
            return NoLatency.NO_ROUTE
        return NoLatency.NO_ANSWER if self._sent else NoLatency.NOT_SAMPLED
