"""The server's end of the iperf3 engine: one worker process a lease, which serves one test and ends.

There is no long-lived iperf3 server: one idle connection would block it for ever, and after an outage it would call
itself busy for 40 s. A host listens between the start of its lease and its end only.

May import sitetest_wire and the standard library only; libiperf itself is loaded in the worker.
"""

import asyncio
import errno
import os
import socket
from collections.abc import Callable
from typing import Any

from sitetest_server.engine_host import HostError
from sitetest_server.leases import LEASE_MARGIN_S
from sitetest_wire.libiperf import Library, LibraryMissing, find_library
from sitetest_wire.libiperf_call import library_duration_s
from sitetest_wire.messages import EndLine, EngineOffer, LeaseRequest
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction
from sitetest_wire.worker_process import WorkerGarbled, WorkerLate, WorkerProcess, WorkerSilent

LISTEN_LIMIT_S = 5.0
"""How long a worker may take until it listens; measured: 0.1 s."""

GRACE_S = LEASE_MARGIN_S
"""How much longer than its payload a test may take in all, idle path and connecting included, before it is killed."""

DEAD_PEER_LIMIT_S = 10.0
"""How long an agent may be silent before the kernel drops its connections; the same as at the agent's end."""

_LISTEN_FAILED = 102  # libiperf's IELISTEN (iperf_api.h)
_WORKER = ("-m", "sitetest_server.iperf3_worker")


class _MoreThanLeased(Exception):
    """Whoever came opened more connections than the lease is for."""


class Iperf3Host:
    """Starts hosts on the ports of a range, one a lease.

    ports: which may be used, in turn; ``range(0, 1)`` lets the system choose. bind: address to listen on, None for all.
    """

    def __init__(self, ports: range, bind: str | None = None) -> None:
        self._ports = ports
        self._bind = bind
        self._next = 0
        self._in_use: set[int] = set()
        self._library: Library | None = None

    def offer(self) -> EngineOffer:
        """Say whether iperf3 tests can be served here. Never raises for something that is merely missing."""
        try:
            return EngineOffer(usable=True, version=self._found().version)
        except LibraryMissing as problem:
            return EngineOffer(usable=False, reason=str(problem))

    async def start(
        self, request: LeaseRequest, on_sample: Callable[[Sample], None], *, only_from: str | None = None
    ) -> "Iperf3HostRun":
        """Start a host and return once it listens. on_sample is called from the event loop. Raises HostError.

        only_from: the address that may connect; None for any.
        """
        try:
            library = self._found()
        except LibraryMissing as problem:
            raise HostError(f"iperf3 cannot be served here: {problem}") from problem
        for _ in self._ports:
            port = self._ports[self._next % len(self._ports)]
            self._next += 1
            if port in self._in_use or not _is_free(port, self._bind):
                continue
            self._in_use.add(port)
            try:
                run = await self._start_on(port, library, request, on_sample, only_from)
            except BaseException:
                self._in_use.discard(port)
                raise
            if run is not None:
                return run
            self._in_use.discard(port)
        raise HostError(
            f"no TCP port from {self._ports[0]} to {self._ports[-1]} is free for the iperf3 host: other leases, or "
            "other programs on the server, use them all"
        )

    async def _start_on(
        self,
        port: int,
        library: Library,
        request: LeaseRequest,
        on_sample: Callable[[Sample], None],
        only_from: str | None,
    ) -> "Iperf3HostRun | None":
        """Start a worker on a port; None when the port turns out to be taken."""
        total_s = library_duration_s(request.warm_up_s + request.duration_s)
        arguments = {
            "library": library.name,
            "port": port,
            "bind": self._bind,
            "is_sender": request.direction is Direction.DOWNLOAD,
            "streams": request.streams,
            "total_s": total_s,
            "limit_s": DEAD_PEER_LIMIT_S,
            "only_from": only_from,
        }
        try:
            worker = await WorkerProcess.start(_WORKER, arguments)
        except OSError as problem:
            raise HostError(f"the iperf3 host's process cannot be started: {problem.strerror}") from problem
        try:
            listening_on = await _listening(worker)
        except BaseException:
            await worker.close()
            raise
        if listening_on is None:
            await worker.close()
            return None
        return Iperf3HostRun(
            port=listening_on,
            worker=worker,
            total_s=total_s,
            streams=request.streams,
            on_sample=on_sample,
            give_back=lambda: self._in_use.discard(port),
        )

    def _found(self) -> Library:
        if self._library is None:
            self._library = find_library()
        return self._library


class Iperf3HostRun:
    """One started host, serving one lease."""

    def __init__(
        self,
        *,
        port: int,
        worker: WorkerProcess,
        total_s: float,
        streams: int,
        on_sample: Callable[[Sample], None],
        give_back: Callable[[], None],
    ) -> None:
        self._port = port
        self._worker = worker
        self._streams = streams
        self._on_sample = on_sample
        self._give_back = give_back
        self._facts: dict[str, Any] = {}
        self._raw: list[str] = []
        self._task = asyncio.create_task(self._serve(total_s), name=f"iperf3 host on port {port}")

    @property
    def port(self) -> int:
        """TCP port on which it listens."""
        return self._port

    @property
    def pid(self) -> int:
        """Process id of its worker."""
        return self._worker.pid

    @property
    def local_address(self) -> str | None:
        """The server's address of the payload connections; None before they are up."""
        return self._facts.get("local")

    async def finished(self) -> EndLine:
        """Wait for the end of the test, or of the worker, and tell what there is to tell."""
        return await asyncio.shield(self._task)

    async def kill(self) -> None:
        """End it at once. Does nothing when it has ended already."""
        self._worker.kill()
        await asyncio.wait({self._task})

    async def _serve(self, total_s: float) -> EndLine:
        deadline_s = asyncio.get_running_loop().time() + total_s + GRACE_S
        problem: str | None = None
        try:
            while (event := await self._worker.next_event(deadline_s=deadline_s)) is not None:
                self._take(event)
        except WorkerLate:
            problem = f"the iperf3 host was ended: its test was not over {GRACE_S:g} s after its nominal time"
        except WorkerSilent as silent:
            problem = f"the iperf3 host was ended: {silent}"
        except _MoreThanLeased as more:
            problem = f"the iperf3 host was ended: {more}"
        except (WorkerGarbled, ValueError) as garbled:
            problem = f"the iperf3 host was ended: its process told nonsense: {garbled}"
        finally:
            was_killed = await self._closed()
        return EndLine(
            congestion_control=self._facts.get("congestion_control"),
            cpu_share=self._facts.get("cpu_share"),
            problem=problem or was_killed or self._library_problem(),
            raw="".join(self._raw) or None,
            mss_bytes=self._facts.get("mss_bytes"),
            receive_window_bytes=self._facts.get("receive_window_bytes"),
        )

    async def _closed(self) -> str | None:
        try:
            end = await self._worker.close()
        finally:
            self._give_back()
        if "code" in self._facts:
            return None
        return "the iperf3 host was killed" if end.killed else f"the iperf3 host's process is gone: {end.how}"

    def _take(self, event: dict[str, Any]) -> None:
        match event["event"]:
            case "sample":
                sample = Sample.from_json(event["sample"])
                if len(sample.stream_bytes) > self._streams:
                    raise _MoreThanLeased(f"{len(sample.stream_bytes)} streams came, the lease is for {self._streams}")
                self._on_sample(sample)
            case "raw":
                self._raw.append(str(event["text"]))
            case "connected" | "result":
                self._facts |= event
            case _:
                pass  # alive

    def _library_problem(self) -> str | None:
        if self._facts.get("code") == 0:
            return None
        return f"libiperf at the server: {self._facts.get('text') or 'no reason given'} ({self._facts.get('errno')})"


async def _listening(worker: WorkerProcess) -> int | None:
    """Wait until the worker listens and return its port; None when the port is taken. Raises HostError."""
    deadline_s = asyncio.get_running_loop().time() + LISTEN_LIMIT_S
    try:
        while (event := await worker.next_event(deadline_s=deadline_s, silence_limit_s=LISTEN_LIMIT_S)) is not None:
            if event["event"] == "listening":
                return int(event["port"])
            if event["event"] == "result":
                if event["errno"] == _LISTEN_FAILED:
                    return None
                raise HostError(f"the iperf3 host could not be started: {event['text']} (libiperf {event['errno']})")
    except (WorkerSilent, WorkerLate, WorkerGarbled) as problem:
        raise HostError(f"the iperf3 host did not listen within {LISTEN_LIMIT_S:g} s: {problem}") from problem
    end = await worker.end()
    raise HostError(f"the iperf3 host's process ended before it listened: {end.how}")


def _is_free(port: int, bind: str | None) -> bool:
    """Whether the port could be bound just now. An address that cannot be had is left to libiperf to complain about."""
    family = socket.AF_INET6 if bind is not None and ":" in bind else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((bind or "", port))
        except OSError as problem:
            return problem.errno not in (errno.EADDRINUSE, errno.EACCES)
    return True
