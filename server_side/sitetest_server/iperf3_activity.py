"""The server's end of an ``iperf3`` lease: one host, started with the lease and killed with it.

May import sitetest_wire and the standard library only; libiperf is behind the EngineHost protocol.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import replace

from sitetest_server.engine_host import EngineHost, HostError, HostRun
from sitetest_server.host_watch import HostWatch
from sitetest_server.sample_log import SampleLog
from sitetest_wire.messages import EndLine, LeaseRequest
from sitetest_wire.samples import Sample

_LOGGER = logging.getLogger(__name__)


class Iperf3Activity:
    """See the Activity protocol. Must be made in a running event loop.

    clock: monotonic, in seconds, the one of the machine's sources. only_from: the address that may connect; None for
    any.
    """

    def __init__(
        self,
        host: EngineHost,
        request: LeaseRequest,
        *,
        clock: Callable[[], float],
        machine: HostWatch,
        only_from: str | None = None,
    ) -> None:
        self.log = SampleLog()
        self._host = host
        self._request = request
        self._clock = clock
        self._machine = machine
        self._only_from = only_from
        self._run: HostRun | None = None
        self._failure: HostError | None = None
        self._problem: str | None = "the iperf3 host broke off"
        self._settled = asyncio.Event()
        self._task = asyncio.create_task(self._serve(), name="iperf3 lease")
        self._task.add_done_callback(_report_fault)

    @property
    def iperf3_port(self) -> int | None:
        """Where the host listens; None until it does."""
        return None if self._run is None else self._run.port

    async def ready(self) -> None:
        """Wait until the host listens. Raises HostError when it could not be started."""
        await self._settled.wait()
        if self._failure is not None:
            raise self._failure

    def end(self, problem: str | None) -> None:
        """Kill the host."""
        if not self._task.done():
            self._problem = problem
            self._task.cancel()

    async def closed(self) -> None:
        """Wait until the host is gone."""
        await asyncio.wait([self._task])

    async def _serve(self) -> None:
        try:
            run = await self._host.start(self._request, self._take, only_from=self._only_from)
            self._run = run
            self._settled.set()
            try:
                end = await run.finished()
                self.log.close(replace(end, host=self._machine.told()))
            finally:
                await run.kill()
        except HostError as failure:
            self._failure = failure
            self._problem = str(failure)
        finally:
            if not self._settled.is_set() and self._failure is None:
                self._failure = HostError("the lease ended before the iperf3 host was ready")
            self._settled.set()
            self.log.close(EndLine(problem=self._problem, host=self._machine.told()))

    def _take(self, sample: Sample) -> None:
        """The host's process tells a sample as soon as it has it, so that its clock began that long ago."""
        self._machine.began(self._clock() - sample.at_s, None if self._run is None else self._run.local_address)
        self.log.append(sample)


def _report_fault(task: "asyncio.Task[None]") -> None:
    if not task.cancelled() and (fault := task.exception()) is not None:
        _LOGGER.error("fault in an iperf3 lease", exc_info=fault)
