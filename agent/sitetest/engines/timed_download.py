"""N streams read at once for a given time, counted here.

    start ---- every stream has its first byte ---- warm-up ---- duration ---- common stop: every stream is cut off
                 (read from our own samples, since we are the receiver)

May import sitetest_wire, aiohttp and the standard library only.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import aiohttp

from sitetest.engines.base import Failure, FailureKind, TransferSpec, Watch
from sitetest.engines.failure_translation import Stage, TransferProblem, translated
from sitetest.engines.payload_connections import PayloadConnection, close_all
from sitetest.engines.received_counter import ReceivedCounter
from sitetest.engines.stream_reports import StreamReport, transfer_failure
from sitetest.engines.transfer_bounds import TransferBounds
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample

Accept = Callable[[aiohttp.ClientResponse, str], Awaitable[None]]
"""Looks at an answer's status before its body is counted; the text names the stream. Raises TransferProblem."""

START_PERIOD_S = SAMPLE_PERIOD_S / 5
"""How often we look until every stream has its first byte, which sets the start of the window."""


class TimedDownload:
    """One download. samples: what we received, on our monotonic clock since the start. addresses: local and remote.

    repeat: ask again when a body ends before the time is over (a file of somebody else's server); otherwise its end is
    a failure (a test server's body has no end).
    """

    def __init__(
        self,
        spec: TransferSpec,
        urls: Sequence[str],
        connections: Sequence[PayloadConnection],
        endpoint: str,
        accept: Accept,
        *,
        repeat: bool = False,
    ) -> None:
        self.samples: list[Sample] = []
        self.addresses: tuple[str, str] | None = None
        self.reports = [StreamReport(number) for number in range(1, spec.streams + 1)]
        self._spec = spec
        self._urls = urls
        self._connections = connections
        self._endpoint = endpoint
        self._accept = accept
        self._repeat = repeat
        self._counter = ReceivedCounter(spec.streams, spec.max_bytes)
        self._clock = asyncio.get_running_loop().time
        self._started_s = self._clock()
        self._up_s: float | None = None

    async def run(self, bounds: TransferBounds, watch: Watch) -> Failure | None:
        """Run to the natural end (None) or to whatever ends it before. All connections are cut off on return."""
        self._started_s = self._clock()
        tasks = [
            asyncio.create_task(self._read(index), name=f"download {index + 1}") for index in range(self._spec.streams)
        ]
        try:
            while True:
                await asyncio.sleep(self._until_next_sample())
                sample = self._take_sample()
                watch.sample(sample)
                if self._complete(sample):
                    return None
                failure = self._ended_early(sample, bounds)
                if failure is not None:
                    return failure
        finally:
            await close_all(tasks)

    def _take_sample(self) -> Sample:
        sample = self._counter.sample(self._clock() - self._started_s)
        self.samples.append(sample)
        if self._up_s is None and all(sample.stream_bytes):
            self._up_s = sample.at_s
        if self.addresses is None:
            self.addresses = self._connections[0].addresses()
        for report, count in zip(self.reports, sample.stream_bytes, strict=True):
            report.stream_bytes = count
        return sample

    def _complete(self, sample: Sample) -> bool:
        return self._up_s is not None and sample.at_s >= self._up_s + self._spec.total_s

    def _ended_early(self, sample: Sample, bounds: TransferBounds) -> Failure | None:
        up = sum(count > 0 for count in sample.stream_bytes)
        passed = bounds.exceeded(sample.at_s, sample.stream_bytes, up, sample.total_bytes)
        return passed or bounds.explained(transfer_failure(self.reports), sample.at_s)

    def _until_next_sample(self) -> float:
        at_s = self._clock() - self._started_s
        if self._up_s is None:
            return START_PERIOD_S
        next_s = (at_s // SAMPLE_PERIOD_S + 1) * SAMPLE_PERIOD_S
        return max(min(next_s, self._up_s + self._spec.total_s) - at_s, 0.0)

    async def _read(self, index: int) -> None:
        report = self.reports[index]
        detail = f"stream {report.number} of {self._spec.streams}"
        with report.keeping_failure(), translated(Stage.DOWNLOAD, self._endpoint, detail):
            while await self._read_body(index, detail):
                if not self._repeat:
                    raise self._body_ended(report, detail)

    async def _read_body(self, index: int, detail: str) -> bool:
        """Count one body to its end. Returns False when the cap was reached."""
        report, add = self.reports[index], self._counter.add
        before = self._counter.stream_bytes[index]
        async with self._connections[index].session.get(self._urls[index], allow_redirects=False) as response:
            await self._accept(response, detail)
            if report.connected_s is None:
                report.connected_s = self._clock() - self._started_s
            read = response.content.readany
            while part := await read():
                if report.first_byte_s is None:
                    report.first_byte_s = self._clock() - self._started_s
                if not add(index, len(part)):
                    return False
        if self._counter.stream_bytes[index] == before:
            raise self._body_ended(report, detail)
        return True

    def _body_ended(self, report: StreamReport, detail: str) -> TransferProblem:
        at_s = self._clock() - self._started_s
        count = self._counter.stream_bytes[report.number - 1]
        seen = f"the server ended the body after {at_s:.1f} s and {count} bytes, although it was to go on"
        return TransferProblem(
            Failure(FailureKind.PEER_DIED, f"{Stage.DOWNLOAD} at {self._endpoint}, {detail}: {seen}")
        )
