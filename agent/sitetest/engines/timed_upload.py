"""N streams written at once for a given time, counted by the server.

What we hand to our kernel says nothing about what arrives, so the window is read from the server's samples: it starts
when the server has a byte of every stream and ends by the server's clock. Our own clock only bounds how long we go on
sending should those samples come late. What the far kernel has acknowledged is for the display.

May import sitetest_wire, aiohttp and the standard library only.
"""

import asyncio
import os
from collections.abc import AsyncIterator, Sequence
from functools import cache

from sitetest.engines.base import Failure, FailureKind, TransferSpec, Watch
from sitetest.engines.failure_translation import Stage, TransferProblem, refusal, translated
from sitetest.engines.payload_connections import PayloadConnection, close_all, congestion_control_of
from sitetest.engines.server_samples import ServerSamples
from sitetest.engines.stream_reports import StreamReport, transfer_failure
from sitetest.engines.transfer_bounds import TransferBounds
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample
from sitetest_wire.words import CountedAs

PAYLOAD_BYTES = 2**18
"""Length of the random buffer that is sent again and again: random, so that nothing on the way can compress it. Of 128
KiB to 2 MiB this one was fastest on loopback (aiohttp copies each part once to frame it)."""

DRAIN_LIMIT_S = 1.0
"""How long after the common stop we wait for what is on its way, so that it does not run into the next measurement."""

LATE_SAMPLES_S = 1.0
"""How long after the nominal end by our own clock we go on sending while the server's samples have not shown it yet."""


@cache
def random_payload() -> bytes:
    """The buffer that uploads send, made once a process."""
    return os.urandom(PAYLOAD_BYTES)


class TimedUpload:
    """One upload. acked: what the far kernel acknowledged, on our clock, with round-trip times and retransmits; empty
    where the system does not tell. addresses: local and remote. congestion_control: in force on our sockets. mss_bytes:
    largest segment that we sent payload in. receive_window_bytes: the largest that the server offered on one
    connection; both None where the system does not tell."""

    def __init__(
        self,
        spec: TransferSpec,
        urls: Sequence[str],
        connections: Sequence[PayloadConnection],
        endpoint: str,
        server: ServerSamples,
    ) -> None:
        self.acked: list[Sample] = []
        self.addresses: tuple[str, str] | None = None
        self.congestion_control: str | None = None
        self.mss_bytes: int | None = None
        self.receive_window_bytes: int | None = None
        self.reports = [StreamReport(number) for number in range(1, spec.streams + 1)]
        self._spec = spec
        self._urls = urls
        self._connections = connections
        self._endpoint = endpoint
        self._server = server
        self._clock = asyncio.get_running_loop().time
        self._started_s = self._clock()
        self._sending = True
        self._handed_bytes = 0
        self._up_s: float | None = None
        self._end_by_s: float | None = None
        self._seen = 0

    async def run(self, bounds: TransferBounds, watch: Watch) -> Failure | None:
        """Run to the natural end (None) or to whatever ends it before. All connections are cut off on return."""
        self._started_s = self._clock()
        tasks = [
            asyncio.create_task(self._send(index), name=f"upload {index + 1}") for index in range(self._spec.streams)
        ]
        try:
            failure = await self._observe(bounds, watch)
            self._sending = False
            if failure is None or failure.kind is FailureKind.DATA_CAP:
                await asyncio.wait(tasks, timeout=DRAIN_LIMIT_S)
                await self._server.wait_over(DRAIN_LIMIT_S if all(task.done() for task in tasks) else 0.0)
            return failure
        finally:
            self._sending = False
            for connection in self._connections:
                connection.break_off()
            await close_all(tasks)

    async def _observe(self, bounds: TransferBounds, watch: Watch) -> Failure | None:
        next_s = SAMPLE_PERIOD_S
        while True:
            at_s = self._clock() - self._started_s
            if at_s >= next_s:
                next_s = (at_s // SAMPLE_PERIOD_S + 1) * SAMPLE_PERIOD_S
                self._take_acked(at_s, watch)
            if self._complete(at_s, watch):
                return None
            failure = self._ended_early(at_s, bounds)
            if failure is not None:
                return failure
            await self._server.news(max(next_s - at_s, 0.001))

    def _complete(self, at_s: float, watch: Watch) -> bool:
        """Go through the server's new samples; say whether they reach the end of the window."""
        received = self._server.samples
        for sample in received[self._seen :]:
            if not self.acked:
                watch.sample(sample)
            if self._up_s is None and len(sample.stream_bytes) == self._spec.streams and all(sample.stream_bytes):
                self._up_s = sample.at_s
                self._end_by_s = at_s + self._spec.total_s + LATE_SAMPLES_S
        self._seen = len(received)
        if self._end_by_s is not None and at_s >= self._end_by_s:
            self._sending = False
        return self._up_s is not None and received[-1].at_s >= self._up_s + self._spec.total_s

    def _ended_early(self, at_s: float, bounds: TransferBounds) -> Failure | None:
        received = self._server.samples[-1].stream_bytes if self._server.samples else ()
        acked = self.acked[-1].stream_bytes if self.acked else ()
        up = sum(count > 0 for count in received)
        passed = bounds.exceeded(at_s, received + acked, up, self._handed_bytes)
        return passed or bounds.explained(transfer_failure(self.reports) or self._server_ended(), at_s)

    def _server_ended(self) -> Failure | None:
        end = self._server.end
        if end is None:
            return self._server.failure
        seen = end.problem or "its samples ended before the measuring window did"
        return Failure(FailureKind.PEER_DIED, f"{Stage.UPLOAD} at {self._endpoint}: the server ended it: {seen}")

    def _take_acked(self, at_s: float, watch: Watch) -> None:
        if self.addresses is None:
            self.addresses = self._connections[0].addresses()
            self.congestion_control = congestion_control_of(self._connections[0].open_socket())
        known = [info for connection in self._connections if (info := connection.tcp_info()) is not None]
        if len(known) < self._spec.streams:
            return
        sample = Sample(
            at_s,
            tuple(info.bytes_acked for info in known),
            CountedAs.ACKED,
            rtt_ms=tuple(info.rtt_ms for info in known),
            retransmits=sum(info.total_retrans for info in known),
        )
        self.mss_bytes = max(info.snd_mss_bytes for info in known)
        offered = [info.snd_wnd_bytes for info in known if info.snd_wnd_bytes is not None]
        self.receive_window_bytes = max([*offered, self.receive_window_bytes or 0]) if offered else None
        self.acked.append(sample)
        watch.sample(sample)

    async def _send(self, index: int) -> None:
        report = self.reports[index]
        detail = f"stream {report.number} of {self._spec.streams}"
        session = self._connections[index].session
        headers = {"Content-Type": "application/octet-stream"}
        with report.keeping_failure(), translated(Stage.UPLOAD, self._endpoint, detail):
            async with session.post(
                self._urls[index], data=self._body(report), headers=headers, allow_redirects=False
            ) as response:
                if response.status != 200:
                    answer = await response.content.read(4096)
                    raise refusal(Stage.UPLOAD, self._endpoint, response.status, answer, detail)
                await response.content.read()
            if self._sending:
                seen = f"the server ended it after {self._clock() - self._started_s:.1f} s, although it was to go on"
                message = f"{Stage.UPLOAD} at {self._endpoint}, {detail}: {seen}"
                raise TransferProblem(Failure(FailureKind.PEER_DIED, message))

    async def _body(self, report: StreamReport) -> AsyncIterator[bytes]:
        payload, cap = random_payload(), self._spec.max_bytes
        report.connected_s = report.first_byte_s = self._clock() - self._started_s
        while self._sending:
            part = payload
            if cap is not None and cap - self._handed_bytes < len(payload):
                part = payload[: max(cap - self._handed_bytes, 0)]
                if not part:
                    self._sending = False
                    return
            self._handed_bytes += len(part)
            report.stream_bytes += len(part)
            yield part
            await asyncio.sleep(0)  # a kernel that takes all at once would keep the loop from everything else
