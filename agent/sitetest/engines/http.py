"""The ``http`` engine: N connections to a sitetest-server, in plain HTTP/1.1.

    lease -- download: we count what we receive; the server's samples add round-trip times and retransmits
          '- upload:   the server counts what it receives; our kernel adds round-trip times and retransmits

The figure of record always comes from the receiving end. May import sitetest_wire, aiohttp and the standard library
only.
"""

import asyncio
import platform
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, replace

import aiohttp

from sitetest.engines.base import (
    Availability,
    TransferResult,
    TransferSpec,
    Watch,
)
from sitetest.engines.failure_translation import Stage, TransferProblem, refusal
from sitetest.engines.idle_phases import after_load, before_load
from sitetest.engines.payload_connections import (
    PayloadConnection,
    proxy_note,
    unusable_congestion_control,
)
from sitetest.engines.server_api import Lease, ServerApi
from sitetest.engines.server_samples import ServerSamples
from sitetest.engines.stream_reports import reports_as_text
from sitetest.engines.timed_download import TimedDownload
from sitetest.engines.timed_upload import TimedUpload
from sitetest.engines.transfer_bounds import TransferBounds
from sitetest_wire.messages import LeaseRequest
from sitetest_wire.words import Direction, EngineName

END_LINE_LIMIT_S = 1.0
"""How long after a download its server may take to say how it went at its end."""

ENGINE_VERSION = f"aiohttp {aiohttp.__version__}"


@dataclass(frozen=True, slots=True)
class CpuClock:
    """Measures the share of one core that this process used since it was made. Both clocks in seconds."""

    wall_s: Callable[[], float] = time.monotonic
    used_s: Callable[[], float] = time.process_time

    def start(self) -> Callable[[], float | None]:
        """Begin to measure; the function returned gives the share so far, None when no time has passed."""
        wall_s, used_s = self.wall_s(), self.used_s()

        def share() -> float | None:
            passed_s = self.wall_s() - wall_s
            return (self.used_s() - used_s) / passed_s if passed_s > 0 else None

        return share


class HttpEngine:
    """See the module and :class:`sitetest.engines.base.Engine`.

    agent: label of this laptop, shown to whoever has to wait for it.
    """

    name = EngineName.HTTP

    def __init__(self, api: ServerApi, agent: str, cpu: CpuClock | None = None) -> None:
        self._api = api
        self._agent = agent
        self._cpu = cpu or CpuClock()

    def availability(self) -> Availability:
        """Say what the engine can tell on this system; it can run wherever the agent does."""
        return Availability(usable=True, version=aiohttp.__version__, notes=system_notes())

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        """Run one transfer; see the protocol."""
        result = TransferResult(spec, engine_version=ENGINE_VERSION)
        upload = spec.direction is Direction.UPLOAD
        unusable = unusable_congestion_control(spec.congestion_control if upload else None)
        if unusable is not None:
            return replace(result, failure=unusable)
        request = LeaseRequest(
            agent=self._agent,
            engine=self.name,
            direction=spec.direction,
            streams=spec.streams,
            warm_up_s=spec.warm_up_s,
            duration_s=spec.duration_s,
            congestion_control=None if upload else spec.congestion_control,
        )
        try:
            async with self._api.lease(request, watch, stop) as lease:
                stage = Stage.UPLOAD if upload else Stage.DOWNLOAD
                stopped = await before_load(watch, lease.reflector, stop, f"{stage} at {self._api.base_url}")
                if stopped is not None:
                    return replace(result, failure=stopped)
                async with ServerSamples(lease) as server:
                    move = self._upload if upload else self._download
                    result = await move(result, lease, server, watch, stop)
                    if result.failure is None:
                        await lease.refresh()
                    return replace(result, shared=lease.state.shared)
        except TransferProblem as problem:
            return replace(result, failure=problem.failure)

    async def _download(
        self, result: TransferResult, lease: Lease, server: ServerSamples, watch: Watch, stop: asyncio.Event
    ) -> TransferResult:
        spec, endpoint = result.spec, self._api.base_url
        bounds = TransferBounds(spec, stop, Stage.DOWNLOAD, endpoint, lambda: lease.ended)
        share = self._cpu.start()
        async with self._connections(spec) as connections:
            course = TimedDownload(spec, _urls(lease, spec), connections, endpoint, self._accept)
            failure = await course.run(bounds, watch)
        client_cpu_share = share()
        await after_load(watch, stop, failure, lease.ended)
        if failure is None:
            await server.wait_over(END_LINE_LIMIT_S)
        return replace(
            result,
            receiver=tuple(course.samples),
            sender=tuple(server.samples),
            failure=failure,
            congestion_control=server.end.congestion_control if server.end else None,
            local_address=course.addresses[0] if course.addresses else None,
            remote_address=course.addresses[1] if course.addresses else None,
            client_cpu_share=client_cpu_share,
            server_cpu_share=server.end.cpu_share if server.end else None,
            mss_bytes=server.end.mss_bytes if server.end else None,
            receive_window_bytes=server.end.receive_window_bytes if server.end else None,
            server_host=server.end.host if server.end else None,
            raw=reports_as_text(course.reports),
        )

    async def _upload(
        self, result: TransferResult, lease: Lease, server: ServerSamples, watch: Watch, stop: asyncio.Event
    ) -> TransferResult:
        spec, endpoint = result.spec, self._api.base_url
        bounds = TransferBounds(spec, stop, Stage.UPLOAD, endpoint, lambda: lease.ended)
        share = self._cpu.start()
        async with self._connections(spec) as connections:
            course = TimedUpload(spec, _urls(lease, spec), connections, endpoint, server)
            failure = await course.run(bounds, watch)
        client_cpu_share = share()
        await after_load(watch, stop, failure, lease.ended)
        return replace(
            result,
            receiver=tuple(server.samples),
            sender=tuple(course.acked),
            failure=failure,
            congestion_control=course.congestion_control,
            local_address=course.addresses[0] if course.addresses else None,
            remote_address=course.addresses[1] if course.addresses else None,
            client_cpu_share=client_cpu_share,
            server_cpu_share=server.end.cpu_share if server.end else None,
            mss_bytes=course.mss_bytes,
            receive_window_bytes=course.receive_window_bytes,
            server_host=server.end.host if server.end else None,
            raw=reports_as_text(course.reports),
        )

    @asynccontextmanager
    async def _connections(self, spec: TransferSpec) -> AsyncIterator[Sequence[PayloadConnection]]:
        upload = spec.direction is Direction.UPLOAD
        async with AsyncExitStack() as stack:
            yield [
                await stack.enter_async_context(
                    PayloadConnection(
                        headers=self._api.headers,
                        ssl_context=self._api.ssl_context,
                        congestion_control=spec.congestion_control if upload else None,
                        upload=upload,
                    )
                )
                for _ in range(spec.streams)
            ]

    async def _accept(self, response: aiohttp.ClientResponse, detail: str) -> None:
        if response.status != 200:
            answer = await response.content.read(4096)
            raise refusal(Stage.DOWNLOAD, self._api.base_url, response.status, answer, detail)


def system_notes() -> tuple[str, ...]:
    """Say what an engine on plain sockets cannot tell on this system, and what it does not use."""
    notes = [proxy_note()]
    if platform.system() != "Linux":
        notes.append("round-trip times and retransmits of uploads, and their live display, need Linux")
    return tuple(note for note in notes if note is not None)


def _urls(lease: Lease, spec: TransferSpec) -> list[str]:
    return [lease.transfer_url(spec.direction, stream) for stream in range(spec.streams)]
