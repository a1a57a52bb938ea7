"""What every engine takes and gives back, so that the visit never asks which one it holds.

An engine runs one timed transfer and returns what both ends saw. A transfer that fails is a :class:`TransferResult`
with a :class:`Failure` and whatever samples there were, not an exception: a failed measurement is data. Exceptions out
of :meth:`Engine.transfer` are bugs, or the cancellation of the task, upon which the engine ends everything it started
within a second.

May import sitetest_wire and the standard library only.
"""

import asyncio
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from sitetest.engines.window import Window, goodput_mbps, measuring_window, received_in
from sitetest_wire.messages import ServerHost
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction, EngineName

STALL_LIMIT_S = 10.0
"""A transfer in which no byte moved for this long is ended as stalled. Above what a roam or a short fade takes
(measured: an outage of 3 s ends in full rate again), below the 15 s in which a dead path must be recognised."""

CONNECT_TIMEOUT_S = 3.0
"""How long one TCP connection may take to come up."""


class FailureKind(StrEnum):
    """Why a transfer gave no whole result, as far as the engine itself can tell.

    Who is to blame (the network under test, the server, the laptop) is not the engine's to say; the visit asks the
    network right afterwards.
    """

    UNAVAILABLE = "unavailable"  # the engine cannot run here, or the server does not offer it
    UNREACHABLE = "unreachable"  # no route, no answer
    REFUSED = "refused"  # the host answers, the port does not
    CONNECT_TIMEOUT = "connect_timeout"
    LEASE_DENIED = "lease_denied"  # wrong token, over a limit, or the lease ended under our feet
    BUSY = "busy"  # somebody else holds the port
    CERTIFICATE = "certificate"  # TLS could not be trusted
    PEER_DIED = "peer_died"  # the server closed the connections before the end
    LINK_LOST = "link_lost"  # the kernel gave up on the path
    STALLED = "stalled"  # connections up, no byte for STALL_LIMIT_S
    STREAMS_MISSING = "streams_missing"  # fewer connections came up than were asked for
    DEADLINE = "deadline"  # still not over long after it should have been
    WORKER_CRASHED = "worker_crashed"
    BAD_OUTPUT = "bad_output"  # what came back cannot be understood
    DATA_CAP = "data_cap"  # stopped at the permitted volume
    STOPPED = "stopped"  # the person stopped it


@dataclass(frozen=True, slots=True)
class Failure:
    """A transfer that did not go to its end.

    message: one sentence for people, never empty: stage, endpoint, what was seen, the limit if one was passed.
    errno: of the system or the library where there was one.
    """

    kind: FailureKind
    message: str
    errno: int | None = None


@dataclass(frozen=True, slots=True)
class TransferSpec:
    """One timed transfer.

    streams: TCP connections at once. warm_up_s: seconds after the last stream has its first byte that do not count.
    duration_s: length of the measuring window. congestion_control: by name, at the sender; None leaves the default.
    max_bytes: stop when this many payload bytes have moved; None means no cap.
    """

    direction: Direction
    streams: int
    warm_up_s: float
    duration_s: float
    congestion_control: str | None = None
    max_bytes: int | None = None

    @property
    def total_s(self) -> float:
        """Nominal seconds of payload: warm-up and window."""
        return self.warm_up_s + self.duration_s


@dataclass(frozen=True, slots=True)
class Reflector:
    """A reflector of RFC 8762 packets. port: UDP. token: what it wants to see in each packet; None for nothing."""

    host: str
    port: int
    token: bytes | None = None


class Watch(Protocol):
    """Whoever looks on while a transfer runs. Calls are made from the event loop and must return at once."""

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:
        """Report the place in the server's queue (1 is next) and the longest that the wait can take, in seconds."""

    def started(self) -> None:
        """Report that the lease is held and the transfer begins."""

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Have the path to oneself, with the lease held and no payload moving yet; the load begins on return.

        reflector: where round trips can be asked for until the lease ends; None where there is none.
        """

    def sample(self, sample: Sample) -> None:
        """Hand over a sample for display: received or acked counts, about ten a second."""

    async def idle_after(self) -> None:
        """Have the path to oneself once more: the load went to its end, and the lease is still held. Not called after a
        load that failed."""


@dataclass(frozen=True, slots=True)
class TransferResult:
    """What one transfer gave.

    receiver: samples of the receiving end on its own clock; the figure of record comes from these alone.
    sender: samples of the sending end (round-trip time, retransmits, acked bytes) on *its* clock; empty when unknown.
    failure: None when the transfer went to its end.
    congestion_control: the sender's; None where not known. engine_version: of the library on the laptop.
    local_address, remote_address: of the payload connections; None when none came up.
    client_cpu_share, server_cpu_share: share of one core used by the process that moved the bytes; None: not measured.
    shared: another lease was active on the server during this transfer.
    mss_bytes: largest segment that the sender sent payload in. receive_window_bytes: the largest receive window, in
    bytes, that the receiver offered on one connection; both are the sender's to tell, None where it does not.
    server_host: the server's machine second by second; None where it does not tell.
    raw: the engine's own record as text (libiperf's JSON), kept beside the result; None when there is none.
    """

    spec: TransferSpec
    receiver: tuple[Sample, ...] = ()
    sender: tuple[Sample, ...] = ()
    failure: Failure | None = None
    congestion_control: str | None = None
    engine_version: str | None = None
    local_address: str | None = None
    remote_address: str | None = None
    client_cpu_share: float | None = None
    server_cpu_share: float | None = None
    shared: bool = False
    mss_bytes: int | None = None
    receive_window_bytes: int | None = None
    server_host: ServerHost | None = None
    raw: str | None = None

    @property
    def window(self) -> Window | None:
        """The measuring window on the receiver's clock; None when the transfer never got that far."""
        if not self.receiver:
            return None
        return measuring_window(self.receiver, self.spec.streams, self.spec.warm_up_s, self.spec.duration_s)

    @property
    def received_bytes(self) -> int | None:
        """Bytes inside the window; None without a window."""
        window = self.window
        return None if window is None else round(received_in(self.receiver, window))

    @property
    def throughput_mbps(self) -> float | None:
        """The figure of record; None without a window."""
        window = self.window
        return None if window is None else goodput_mbps(self.receiver, window)

    @property
    def moved_bytes(self) -> int:
        """All payload bytes that reached the receiver, inside the window or not: what a data volume counts."""
        return self.receiver[-1].total_bytes if self.receiver else 0

    @property
    def retransmits(self) -> int | None:
        """TCP segments sent again over the whole transfer; None where the sender does not tell."""
        known = [sample.retransmits for sample in self.sender if sample.retransmits is not None]
        return known[-1] if known else None


@dataclass(frozen=True, slots=True)
class Availability:
    """Whether an engine can run on this laptop.

    reason: why not, and how to get it; None when usable. library: path of the library that was loaded, None for
    engines without one. notes: what it cannot tell on this system, a sentence each.
    """

    usable: bool
    version: str | None = None
    reason: str | None = None
    library: str | None = None
    notes: tuple[str, ...] = ()


class Engine(Protocol):
    """One way of moving bytes to and from one target (a server, or a URL that the person named)."""

    name: EngineName

    def availability(self) -> Availability:
        """Say whether the engine can run here. Never raises for something that is merely missing."""

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        """Run one transfer to its end, its failure, or until ``stop`` is set (failure kind ``stopped``)."""
