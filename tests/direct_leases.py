"""Leases without the server's API: the engine's side of them, straight from an Iperf3Host in another event loop.

The host may live in a thread of its own, in a network namespace; samples cross over to the engine's loop. Lets the
iperf3 engine be tested without HTTP in between.
"""

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import Future
from contextlib import asynccontextmanager

from lab_network import LabNetwork

from sitetest.engines.base import Failure, Reflector, Watch
from sitetest_server.iperf3_host import Iperf3Host, Iperf3HostRun
from sitetest_wire.messages import EndLine, LeaseRequest, LeaseState
from sitetest_wire.samples import Sample


class DirectLease:
    """A lease on a host's run."""

    def __init__(self, run: Iperf3HostRun, lines: "asyncio.Queue[Sample | EndLine]", address: str) -> None:
        self.run = run
        self.state = LeaseState("direct", "active", iperf3_port=run.port)
        self.server_address = address
        self.reflector: Reflector | None = None
        self.ended: Failure | None = None
        self._lines = lines

    async def samples(self) -> AsyncIterator[Sample | EndLine]:
        """What the host's end sees, until its end."""
        while True:
            line = await self._lines.get()
            yield line
            if isinstance(line, EndLine):
                return


class DirectLeases:
    """Hands out one lease after the other. host_loop: where the host lives. runs: all that were started."""

    def __init__(self, host: Iperf3Host, address: str, host_loop: asyncio.AbstractEventLoop) -> None:
        self.host = address
        self.runs: list[Iperf3HostRun] = []
        self.end_lines: list[EndLine] = []
        self._host = host
        self._host_loop = host_loop

    @asynccontextmanager
    async def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AsyncIterator[DirectLease]:
        """Start a host for the length of the block."""
        engine_loop = asyncio.get_running_loop()
        lines: asyncio.Queue[Sample | EndLine] = asyncio.Queue()

        def pass_on(line: Sample | EndLine) -> None:
            if not engine_loop.is_closed():
                engine_loop.call_soon_threadsafe(lines.put_nowait, line)

        async def tell_end(run: Iperf3HostRun) -> None:
            end = await run.finished()
            self.end_lines.append(end)
            pass_on(end)

        async def begin() -> tuple[Iperf3HostRun, "asyncio.Task[None]"]:
            run = await self._host.start(request, pass_on)
            self.runs.append(run)
            return run, asyncio.create_task(tell_end(run))

        async def end(run: Iperf3HostRun, telling: "asyncio.Task[None]") -> None:
            await run.kill()
            await telling

        run, telling = await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(begin(), self._host_loop))
        watch.started()
        try:
            yield DirectLease(run, lines, self.host)
        finally:
            ending = asyncio.run_coroutine_threadsafe(end(run, telling), self._host_loop)
            await asyncio.shield(asyncio.wrap_future(ending))


def leases_in_lab(lab: LabNetwork) -> DirectLeases:
    """A host in the lab's server namespace, on a loop that runs there until the lab is closed."""
    told: Future[asyncio.AbstractEventLoop] = Future()

    async def live() -> None:
        told.set_result(asyncio.get_running_loop())
        await asyncio.Event().wait()

    lab.start_in("server", live)
    return DirectLeases(Iperf3Host(range(17301, 17303)), lab.address("server"), told.result(10))


class QuietWatch:
    """Looks on, and keeps what it saw."""

    def __init__(self) -> None:
        self.seen: list[Sample] = []
        self.has_started = False

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:
        """Nobody waits for a direct lease."""

    def started(self) -> None:
        """The transfer begins."""
        self.has_started = True

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Nothing is asked of the idle path."""

    def sample(self, sample: Sample) -> None:
        """A sample for display."""
        self.seen.append(sample)

    async def idle_after(self) -> None:
        """Nothing is asked of the idle path."""
