"""The iperf3 engine: one supervised worker process a transfer, against a host that the server starts for the lease.

    lease ──> worker (libiperf, blocking) ── its samples ──┐ download: receiver   upload: sender
      └────── server's samples ────────────────────────────┘ download: sender     upload: receiver

The figure of record comes from the receiver's samples alone. Ends by itself, with what was seen so far, when the path
or the server is lost, when no byte moves, at a deadline, at a cap on bytes, and when told to stop.

May import sitetest_wire, the other engine modules and the standard library only; libiperf is loaded in the worker.
"""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractAsyncContextManager, aclosing
from dataclasses import dataclass, field
from typing import Any, Protocol

from sitetest.engines.base import (
    CONNECT_TIMEOUT_S,
    STALL_LIMIT_S,
    Availability,
    Failure,
    FailureKind,
    Reflector,
    TransferResult,
    TransferSpec,
    Watch,
)
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.idle_phases import after_load, before_load
from sitetest.engines.iperf3_failures import CONNECT_ERRORS, LibraryResult, library_failure
from sitetest.engines.iperf3_record import error_in, first_object, samples_from_record
from sitetest_wire.libiperf import Library, LibraryMissing, find_library
from sitetest_wire.libiperf_call import library_duration_s
from sitetest_wire.messages import EndLine, LeaseRequest, LeaseState
from sitetest_wire.samples import Sample
from sitetest_wire.tcp_info import tells_here
from sitetest_wire.words import Direction, EngineName
from sitetest_wire.worker_process import WorkerEnd, WorkerGarbled, WorkerLate, WorkerProcess, WorkerSilent

MAX_STREAMS = 32
"""libiperf itself takes 128, but some versions fail above 50."""

DEADLINE_MARGIN_S = 10.0
"""How much longer than connecting and payload a transfer may take before it is ended from outside."""

STALL_GRACE_S = 2.0
"""The kernel ends stalled connections at STALL_LIMIT_S, which keeps libiperf's record; this much later we end it."""

TAIL_LIMIT_S = 1.0
"""How long the server's last samples are waited for once the transfer is over."""

PROBE_LIMIT_S = 1.0
"""How long finding out why no connection came up may take."""

_WORKER = ("-m", "sitetest.engines.iperf3_worker")


class HeldLease(Protocol):
    """What the engine needs of a lease: see :class:`sitetest.engines.server_api.Lease`."""

    state: LeaseState
    server_address: str

    @property
    def reflector(self) -> Reflector | None:
        """Where round trips can be asked for while the lease is held; None where there is no reflector."""

    @property
    def ended(self) -> Failure | None:
        """Why the lease is over although we did not end it; None while it is held."""

    def samples(self) -> AsyncIterator[Sample | EndLine]:
        """What the server's end sees, until its end."""


class LeaseOffice(Protocol):
    """What the engine needs of the server: see :class:`sitetest.engines.server_api.ServerApi`."""

    @property
    def host(self) -> str:
        """Name or address of the server's machine."""

    def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AbstractAsyncContextManager[HeldLease]:
        """Wait for a lease, hold it over the block, and give it back."""


class Iperf3Engine:
    """See :class:`sitetest.engines.base.Engine`. agent: the laptop's label, shown to whoever waits for the server.

    worker: what the transfers' processes run (see :meth:`WorkerProcess.start`); something else in tests only.
    """

    name = EngineName.IPERF3

    def __init__(self, api: LeaseOffice, agent: str, *, worker: Sequence[str] = _WORKER) -> None:
        self._api = api
        self._agent = agent
        self._worker = worker
        self._library: Library | None = None

    def availability(self) -> Availability:
        """Say whether libiperf can be used here. Never raises for something that is merely missing."""
        try:
            library = self._found()
        except LibraryMissing as problem:
            return Availability(usable=False, reason=str(problem))
        notes = () if tells_here() else (
            "This system does not tell what arrives on a connection: there is no live throughput, and seconds come "
            "from libiperf's own record.",
        )  # fmt: skip
        return Availability(usable=True, version=library.version, library=library.name, notes=notes)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        """Run one transfer to its end, its failure, or until ``stop`` is set."""
        course = _Course(spec)
        running = asyncio.create_task(self._run(course, watch, stop), name=f"iperf3 {spec.direction}")
        stopping = asyncio.create_task(stop.wait(), name="stop of a transfer")
        try:
            await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if course.load_is_over:  # what is left is short, and a stop now takes nothing away from the result
                await asyncio.wait({running})
        finally:
            was_running = running.cancel()
            stopping.cancel()
            await _all_ended(running, stopping)
        if not running.cancelled():
            running.result()
        elif was_running and stop.is_set():
            course.failure = Failure(FailureKind.STOPPED, f"{course.where}: stopped by hand")
        return course.result()

    async def _run(self, course: "_Course", watch: Watch, stop: asyncio.Event) -> None:
        spec = course.spec
        try:
            library = self._found()
        except LibraryMissing as problem:
            course.failure = Failure(FailureKind.UNAVAILABLE, str(problem))
            return
        course.engine_version = library.version
        if spec.streams > MAX_STREAMS:
            text = f"{spec.streams} streams were asked for; the iperf3 engine takes 1 to {MAX_STREAMS}"
            course.failure = Failure(FailureKind.UNAVAILABLE, text)
            return
        request = LeaseRequest(
            agent=self._agent,
            engine=self.name,
            direction=spec.direction,
            streams=spec.streams,
            warm_up_s=spec.warm_up_s,
            duration_s=spec.duration_s,
            congestion_control=spec.congestion_control,
        )
        try:
            async with self._api.lease(request, watch, stop) as lease:
                await self._hold(lease, library, course, watch, stop)
        except TransferProblem as problem:
            course.failure = course.failure or problem.failure

    async def _hold(
        self, lease: HeldLease, library: Library, course: "_Course", watch: Watch, stop: asyncio.Event
    ) -> None:
        port = lease.state.iperf3_port
        if port is None:
            course.failure = Failure(FailureKind.BAD_OUTPUT, f"the server at {self._api.host} named no iperf3 port")
            return
        course.where = f"{course.spec.direction} {course.preposition} {self._api.host}:{port}"
        course.failure = await before_load(watch, lease.reflector, stop, course.where)
        if course.failure is not None:
            return
        listening = asyncio.create_task(_listen(lease, course), name="samples of the server")
        try:
            await self._measure(lease, library, port, course, watch)
            course.load_is_over = True
            await after_load(watch, stop, course.failure, lease.ended)
            await asyncio.wait({listening}, timeout=TAIL_LIMIT_S)
        finally:
            listening.cancel()
            course.shared = course.shared or lease.state.shared
            await _all_ended(listening)
        if not listening.cancelled():
            listening.result()
        course.settle()

    async def _measure(self, lease: HeldLease, library: Library, port: int, course: "_Course", watch: Watch) -> None:
        spec = course.spec
        # Without TCP_INFO the first second of libiperf's record is spent on finding out when all streams are up.
        total_s = spec.total_s if tells_here() else spec.total_s + 1.0
        arguments = {
            "library": library.name,
            "host": lease.server_address,  # the host listens to the address that asked for the lease and no other
            "port": port,
            "is_download": spec.direction is Direction.DOWNLOAD,
            "streams": spec.streams,
            "total_s": total_s,
            "connect_timeout_s": CONNECT_TIMEOUT_S,
            "limit_s": STALL_LIMIT_S,
            "congestion_control": spec.congestion_control,
        }
        try:
            worker = await WorkerProcess.start(self._worker, arguments)
        except OSError as problem:
            text = f"the iperf3 worker process cannot be started: {problem.strerror}"
            course.failure = Failure(FailureKind.WORKER_CRASHED, text, problem.errno)
            return
        deadline_s = CONNECT_TIMEOUT_S + library_duration_s(total_s) + DEADLINE_MARGIN_S
        try:
            course.failure = await _follow(worker, lease, course, watch, deadline_s)
        finally:
            end = await worker.close()
        if course.failure is None:
            course.failure = await self._outcome(lease.server_address, port, course, end)

    async def _outcome(self, host: str, port: int, course: "_Course", end: WorkerEnd) -> Failure | None:
        """Say what the worker's end means once it tells nothing more."""
        if course.library_result is None:
            return Failure(
                FailureKind.WORKER_CRASHED,
                f"{course.where}: the process around libiperf ended without a result: {end.how}",
            )
        if not course.library_result.failed:
            return None
        reached = None
        if course.library_result.errno in CONNECT_ERRORS:
            reached = await _reached(host, port)
        return library_failure(course.library_result, course.where, reached)

    def _found(self) -> Library:
        if self._library is None:
            self._library = find_library()
        return self._library


@dataclass(slots=True)
class _Course:
    """What is known of a transfer so far."""

    spec: TransferSpec
    own: list[Sample] = field(default_factory=list)
    theirs: list[Sample] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    raw: list[str] = field(default_factory=list)
    server_end: EndLine | None = None
    server_problem: Failure | None = None
    library_result: LibraryResult | None = None
    failure: Failure | None = None
    engine_version: str | None = None
    shared: bool = False
    load_is_over: bool = False
    where: str = "before the lease"

    @property
    def preposition(self) -> str:
        return "from" if self._is_download else "to"

    @property
    def _is_download(self) -> bool:
        return self.spec.direction is Direction.DOWNLOAD

    @property
    def _receiver(self) -> list[Sample]:
        return self.own if self._is_download else self.theirs

    def take(self, event: dict[str, Any]) -> None:
        """Take note of what the worker told. Raises WorkerGarbled."""
        try:
            match event["event"]:
                case "sample":
                    self.own.append(Sample.from_json(event["sample"]))
                case "raw":
                    self.raw.append(str(event["text"]))
                case "connected":
                    self.facts |= event
                case "result":
                    self.facts |= event
                    self.library_result = LibraryResult(
                        code=int(event["code"]),
                        errno=int(event["errno"]),
                        text=str(event["text"]),
                        error=error_in(first_object("".join(self.raw))),
                        still_s=event["still_s"],
                    )
                case _:
                    pass  # alive
        except (KeyError, TypeError, ValueError) as problem:
            raise WorkerGarbled(f"{event['event']}: {problem!r}") from problem

    def settle(self) -> None:
        """Fill in what can be, and look for what is missing, once both ends have told all they will."""
        if not self._receiver:
            own_record = "".join(self.raw)
            theirs = self.server_end.raw if self.server_end is not None else None
            record = first_object(own_record if self._is_download else theirs or "")
            self._receiver.extend(samples_from_record(record))
        if self.failure is not None:
            return
        if not self._receiver:
            self.failure = self.server_problem or Failure(
                FailureKind.BAD_OUTPUT,
                f"{self.where}: the transfer ended, but nobody told what had arrived"
                + ("" if self._is_download else "; the server's samples are missing"),
            )
        elif len(self._receiver[-1].stream_bytes) < self.spec.streams:
            up = len(self._receiver[-1].stream_bytes)
            self.failure = Failure(
                FailureKind.STREAMS_MISSING, f"{self.where}: {up} of {self.spec.streams} connections came up"
            )

    def result(self) -> TransferResult:
        """Return all of it as a fact."""
        end = self.server_end or EndLine()
        sender = {"mss_bytes": end.mss_bytes, "receive_window_bytes": end.receive_window_bytes}
        if not self._is_download:
            sender = {name: self.facts.get(name) for name in sender}
        return TransferResult(
            spec=self.spec,
            receiver=tuple(self._receiver),
            sender=tuple(self.theirs if self._is_download else self.own),
            failure=self.failure,
            congestion_control=end.congestion_control if self._is_download else self.facts.get("congestion_control"),
            engine_version=self.engine_version,
            local_address=self.facts.get("local"),
            remote_address=self.facts.get("remote"),
            client_cpu_share=self.facts.get("cpu_share"),
            server_cpu_share=end.cpu_share,
            shared=self.shared,
            **sender,
            server_host=end.host,
            raw="".join(self.raw) or None,
        )


async def _listen(lease: HeldLease, course: _Course) -> None:
    """Collect what the server's end sees. A stream of samples that breaks off is noted; the worker tells the rest."""
    try:
        async with aclosing(lease.samples()) as lines:  # type: ignore[type-var]  # an async generator by contract
            async for line in lines:
                if isinstance(line, EndLine):
                    course.server_end = line
                else:
                    course.theirs.append(line)
    except TransferProblem as problem:
        course.server_problem = problem.failure


async def _follow(
    worker: WorkerProcess, lease: HeldLease, course: _Course, watch: Watch, limit_s: float
) -> Failure | None:
    """Follow the worker until it tells nothing more (None), or until there is a reason to end it (a failure)."""
    clock = asyncio.get_running_loop().time
    deadline_s = clock() + limit_s
    moved_at_s, moved_bytes = clock(), 0
    try:
        while (event := await worker.next_event(deadline_s=deadline_s)) is not None:
            course.take(event)
            if course.library_result is not None:
                continue
            if event["event"] == "sample":
                sample = course.own[-1]
                watch.sample(sample)
                if sample.total_bytes > moved_bytes:
                    moved_at_s, moved_bytes = clock(), sample.total_bytes
            failure = _reason_to_end(lease, course, moved_bytes, clock() - moved_at_s)
            if failure is not None:
                worker.kill()
                return failure
    except WorkerLate:
        return Failure(
            FailureKind.DEADLINE,
            f"{course.where}: still not over after {limit_s:g} s, {DEADLINE_MARGIN_S:g} s too late",
        )
    except (WorkerSilent, WorkerGarbled) as problem:
        return Failure(
            FailureKind.WORKER_CRASHED, f"{course.where}: the process around libiperf hangs or fails: {problem}"
        )
    return None


def _reason_to_end(lease: HeldLease, course: _Course, moved_bytes: int, still_s: float) -> Failure | None:
    spec = course.spec
    if lease.ended is not None:
        return lease.ended
    if spec.max_bytes is not None and moved_bytes >= spec.max_bytes:
        return Failure(
            FailureKind.DATA_CAP,
            f"{course.where}: stopped after {moved_bytes} bytes, at the permitted volume of {spec.max_bytes} bytes",
        )
    is_sampled = bool(course.own) and course.own[-1].at_s < library_duration_s(spec.total_s) - 1.0
    if is_sampled and still_s > STALL_LIMIT_S + STALL_GRACE_S:
        return Failure(
            FailureKind.STALLED, f"{course.where}: connections are up, but no byte moved for {still_s:.0f} s"
        )
    return None


async def _reached(host: str, port: int) -> FailureKind | None:
    """Try a connection of our own: what stood in its way, or None when it came up."""
    try:
        async with asyncio.timeout(PROBE_LIMIT_S):
            _, writer = await asyncio.open_connection(host, port)
    except ConnectionRefusedError:
        return FailureKind.REFUSED
    except TimeoutError:
        return FailureKind.CONNECT_TIMEOUT
    except OSError:
        return FailureKind.UNREACHABLE
    writer.close()
    return None


async def _all_ended(*tasks: "asyncio.Task[Any]") -> None:
    """Wait for tasks that were cancelled, also when we are cancelled meanwhile; the cancellation is passed on."""
    cancelled: asyncio.CancelledError | None = None
    while any(not task.done() for task in tasks):
        try:
            await asyncio.wait(tasks)
        except asyncio.CancelledError as again:
            cancelled = again
    if cancelled is not None:
        raise cancelled
