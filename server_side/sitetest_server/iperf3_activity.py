"""The server's end of an ``iperf3`` lease: one host, started with the lease and killed with it.

May import sitetest_wire and the standard library only; libiperf is behind the EngineHost protocol.
"""

import asyncio
import logging

from sitetest_server.engine_host import EngineHost, HostError
from sitetest_server.sample_log import SampleLog
from sitetest_wire.messages import EndLine, LeaseRequest

_LOGGER = logging.getLogger(__name__)


class Iperf3Activity:
    """See the Activity protocol. Must be made in a running event loop."""

    def __init__(self, host: EngineHost, request: LeaseRequest) -> None:
        self.log = SampleLog()
        self._host = host
        self._request = request
        self._port: int | None = None
        self._failure: HostError | None = None
        self._problem: str | None = "the iperf3 host broke off"
        self._settled = asyncio.Event()
        self._task = asyncio.create_task(self._serve(), name="iperf3 lease")
        self._task.add_done_callback(_report_fault)

    @property
    def iperf3_port(self) -> int | None:
        """Where the host listens; None until it does."""
        return self._port

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
            run = await self._host.start(self._request, self.log.append)
            self._port = run.port
            self._settled.set()
            try:
                self.log.close(await run.finished())
            finally:
                await run.kill()
        except HostError as failure:
            self._failure = failure
            self._problem = str(failure)
        finally:
            if not self._settled.is_set() and self._failure is None:
                self._failure = HostError("the lease ended before the iperf3 host was ready")
            self._settled.set()
            self.log.close(EndLine(problem=self._problem))


def _report_fault(task: "asyncio.Task[None]") -> None:
    if not task.cancelled() and (fault := task.exception()) is not None:
        _LOGGER.error("fault in an iperf3 lease", exc_info=fault)
