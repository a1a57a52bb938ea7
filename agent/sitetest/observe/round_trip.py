"""One round trip from its times: sent, received, and how long the reflector held the packet.

    RTT = (T4 - T1) - (T3 - T2)          T1 sent here, T2 received there, T3 sent there, T4 received here

T4 is the kernel's stamp where there is one, which is on the wall clock, as T1 then must be. A wall clock may be set in
between; so T1 and T4 are only subtracted when the wall clock kept pace with the steady one. Times of the two ends are
never subtracted from each other: no clock is synchronised, and no one-way delay comes out of here.

Pure but for :meth:`ProbeClocks.read`. May import sitetest_wire and the standard library only.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

from sitetest.observe.probe_record import NoRtt, Stamps
from sitetest_wire.stamp import ReflectorPacket, stated_error_s
from sitetest_wire.stamped_datagrams import Datagram

KERNEL_ERROR_S = 0.001
"""A reflector that states an error of at most this is taken for one with stamps better than a busy program's."""

JUMP_NS = 200_000
"""By how much the wall clock may leave the steady one between sending and receiving."""

SLEW = 0.0005
"""On top of it: what a clock under NTP may drift in that time (RFC 5905 limits the frequency to 500 ppm)."""


@dataclass(frozen=True, slots=True)
class ClockReading:
    """Both clocks at one instant, in ns. doubt_ns: how far apart they may have been read."""

    wall_ns: int
    steady_ns: int
    doubt_ns: int = 0


@dataclass(frozen=True, slots=True)
class ProbeClocks:
    """wall_ns: Unix time. steady_ns: a fine clock that is never set. monotonic_s: the agent's, for ``sent_at_s``."""

    wall_ns: Callable[[], int] = time.time_ns
    steady_ns: Callable[[], int] = time.perf_counter_ns
    monotonic_s: Callable[[], float] = time.monotonic

    def read(self) -> ClockReading:
        """Read the wall clock between two looks at the steady one."""
        before_ns = self.steady_ns()
        wall_ns = self.wall_ns()
        after_ns = self.steady_ns()
        return ClockReading(wall_ns, (before_ns + after_ns) // 2, after_ns - before_ns)


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """rtt_ms and stamps, or why not."""

    rtt_ms: float | None
    stamps: Stamps | None = None
    why: NoRtt | None = None


def round_trip(sent: ClockReading, read: ClockReading, datagram: Datagram, reply: ReflectorPacket) -> RoundTrip:
    """Return the round trip of one reply. sent: the clocks just before sending; read: when the reply was read here."""
    steady_ns = read.steady_ns - sent.steady_ns
    drift_ns = abs((read.wall_ns - sent.wall_ns) - steady_ns)
    if drift_ns > JUMP_NS + SLEW * abs(steady_ns) + sent.doubt_ns + read.doubt_ns:
        return RoundTrip(None, why=NoRtt.CLOCK_JUMP)
    elapsed_ns = datagram.received_ns - sent.wall_ns if datagram.by_kernel else steady_ns
    rtt_ns = elapsed_ns - reply.residence_ns
    if reply.residence_ns < 0 or rtt_ns <= 0:
        return RoundTrip(None, why=NoRtt.BAD_REPLY)
    if not datagram.by_kernel:
        stamps = Stamps.USER
    elif stated_error_s(reply.error) <= KERNEL_ERROR_S:
        stamps = Stamps.KERNEL_BOTH
    else:
        stamps = Stamps.KERNEL_HERE
    return RoundTrip(rtt_ns / 1e6, stamps)
