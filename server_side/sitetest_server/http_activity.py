"""The server's end of an ``http`` lease: its streams, what they counted, and the sampler that writes it down.

Bytes are counted where they can be believed: an upload's by this process as it reads them (``received``), a download's
by this kernel as the far one acknowledges them (``acked``). The transfer is over when every stream came up and is
closed again, when no stream has been open for ``LINGER_S``, or when the lease ends; the last sample is taken then.

An acked count includes some ten bytes of framing in a MiB and the response's head, and is capped at the payload that
was written. May import sitetest_wire, aiohttp's transports and the standard library.
"""

import asyncio
import socket
import struct
from collections.abc import Callable
from contextlib import suppress

from sitetest_server import congestion_control
from sitetest_server.engine_host import HostError
from sitetest_server.host_watch import HostWatch
from sitetest_server.sample_log import SampleLog
from sitetest_server.simulated_link import Pacer
from sitetest_wire.messages import EndLine, LeaseRequest
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample
from sitetest_wire.tcp_info import TcpInfo, read_tcp_info
from sitetest_wire.words import CountedAs, Direction

LINGER_S = 2.0
"""How long a transfer of which not every stream came up may be without an open one."""


_DROP_AT_CLOSE = struct.pack("ii", 1, 0)


class StreamRefused(Exception):
    """This stream cannot be opened now; the message says why."""


class Stream:
    """One TCP connection's part of a transfer."""

    def __init__(self, transport: asyncio.Transport) -> None:
        self.transport = transport
        self.payload_bytes = 0
        self.info: TcpInfo | None = None
        self.receive_window_bytes: int | None = None
        self._acked_before = 0
        self._socket: socket.socket | None = transport.get_extra_info("socket")
        self.read_info()
        if self.info is not None:
            self._acked_before = self.info.bytes_acked

    @property
    def acked_bytes(self) -> int:
        """Payload bytes that the far kernel has acknowledged."""
        if self.info is None:
            return 0
        return min(self.info.bytes_acked - self._acked_before, self.payload_bytes)

    def read_info(self) -> None:
        """Ask the kernel; what it said last stays where it says nothing any more."""
        if self._socket is not None and self._socket.fileno() >= 0:
            self.info = read_tcp_info(self._socket) or self.info
            offered = None if self.info is None else self.info.snd_wnd_bytes
            if offered is not None:
                self.receive_window_bytes = max(self.receive_window_bytes or 0, offered)

    def local_address(self) -> str | None:
        """Return this machine's end of the connection; None when it is gone."""
        name = self.transport.get_extra_info("sockname")
        return None if name is None else str(name[0])

    def break_off(self) -> None:
        """End the connection at once. What the kernel still holds of it is dropped (a zero SO_LINGER, socket(7)): it
        would go on filling the link that the next lease is about to measure."""
        if self._socket is not None and self._socket.fileno() >= 0:
            with suppress(OSError):
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _DROP_AT_CLOSE)
        self.transport.abort()

    def congestion_control(self) -> str | None:
        """Return the name in force; None where the system does not tell."""
        option = getattr(socket, "TCP_CONGESTION", None)
        if option is None or self._socket is None or self._socket.fileno() < 0:
            return None
        try:
            return congestion_control.decode(
                self._socket.getsockopt(socket.IPPROTO_TCP, option, congestion_control.OPTION_BYTES)
            )
        except OSError:
            return None


class HttpActivity:
    """See the Activity protocol. Must be made in a running event loop.

    clock and cpu_clock: monotonic and process time, in seconds; the clock is the one of the machine's sources.
    max_bytes: payload cap of the whole transfer. pacer: None but for a simulated link.
    """

    iperf3_port: int | None = None

    def __init__(
        self,
        request: LeaseRequest,
        *,
        clock: Callable[[], float],
        cpu_clock: Callable[[], float],
        machine: HostWatch,
        max_bytes: int,
        pacer: Pacer | None = None,
        failure: str | None = None,
    ) -> None:
        self.log = SampleLog()
        self.request = request
        self.pacer = pacer
        self._failure = failure
        self._clock = clock
        self._cpu_clock = cpu_clock
        self._machine = machine
        self._max_bytes = max_bytes
        self._moved_bytes = 0
        self._streams: list[Stream | None] = [None] * request.streams
        self._open: set[Stream] = set()
        self._started_s = 0.0
        self._started_cpu_s = 0.0
        self._quiet_since_s = 0.0
        self._congestion_control: str | None = None
        self._sampler: asyncio.Task[None] | None = None

    async def ready(self) -> None:
        """Return at once: the handlers are always there. Raises HostError when the simulation has no rates."""
        if self._failure is not None:
            raise HostError(self._failure)

    def open_stream(self, index: int, transport: asyncio.Transport) -> Stream:
        """Start to count a stream. Raises StreamRefused."""
        if not 0 <= index < len(self._streams):
            raise StreamRefused(f"stream {index} is out of range, this lease has 0 to {len(self._streams) - 1}")
        if self._streams[index] is not None:
            raise StreamRefused(f"stream {index} has been used already; each is one connection, once")
        if self.log.closed:
            raise StreamRefused("the transfer of this lease is over; ask for a new lease")
        stream = self._streams[index] = Stream(transport)
        self._open.add(stream)
        if self._sampler is None:
            self._started_s = self._clock()
            self._started_cpu_s = self._cpu_clock()
            self._machine.began(self._started_s, stream.local_address())
            self._sampler = asyncio.create_task(self._sample_until_over(), name="sampler of a lease")
        return stream

    def count(self, stream: Stream, byte_count: int) -> None:
        """Note payload of a stream: bytes read, or bytes handed to the kernel."""
        stream.payload_bytes += byte_count
        if self.request.direction is Direction.DOWNLOAD:
            stream.read_info()  # the last look before a client breaks off is the one that stays
        self._moved_bytes += byte_count
        if self._moved_bytes > self._max_bytes:
            self.end(f"stopped at this server's cap of {self._max_bytes} bytes a transfer")

    def close_stream(self, stream: Stream) -> None:
        """Stop to count a stream."""
        self._open.discard(stream)
        self._take_sample(stream)
        self._quiet_since_s = self._clock()
        if not self._open and None not in self._streams:
            self._finish(None)

    def end(self, problem: str | None) -> None:
        """Write the last sample and the end line, and break every open connection."""
        if self._open:
            self._take_sample()
        self._finish(problem)
        for stream in tuple(self._open):
            stream.break_off()

    async def closed(self) -> None:
        """Wait until the sampler is gone; the connections went with :meth:`end`."""
        if self._sampler is not None:
            await asyncio.wait([self._sampler])

    async def _sample_until_over(self) -> None:
        ticks = 0
        while not self.log.closed:
            if self._open:
                self._take_sample()
            elif self._clock() - self._quiet_since_s >= LINGER_S:
                up = sum(stream is not None for stream in self._streams)
                self._finish(f"{up} of {len(self._streams)} streams came up")
                return
            ticks = max(ticks + 1, int((self._clock() - self._started_s) / SAMPLE_PERIOD_S))
            await asyncio.sleep(self._started_s + ticks * SAMPLE_PERIOD_S - self._clock())

    def _take_sample(self, closing: Stream | None = None) -> None:
        at_s = self._clock() - self._started_s
        if self.request.direction is Direction.UPLOAD:
            counts = tuple(0 if stream is None else stream.payload_bytes for stream in self._streams)
            self.log.append(Sample(at_s, counts, CountedAs.RECEIVED))
            return
        for stream in self._open | ({closing} if closing else set()):
            stream.read_info()
            self._congestion_control = stream.congestion_control() or self._congestion_control
        known = [stream.info for stream in self._streams if stream is not None and stream.info is not None]
        if not known:
            return
        counts = tuple(0 if stream is None else stream.acked_bytes for stream in self._streams)
        rtt_ms = tuple(info.rtt_ms for info in known) if len(known) == len(self._streams) else None
        self.log.append(
            Sample(at_s, counts, CountedAs.ACKED, rtt_ms, retransmits=sum(info.total_retrans for info in known))
        )

    def _finish(self, problem: str | None) -> None:
        if self.log.closed:
            return
        cpu_share = None
        if self._sampler is not None:
            wall_s = self._clock() - self._started_s
            cpu_share = (self._cpu_clock() - self._started_cpu_s) / wall_s if wall_s > 0 else None
        segments, windows = self._segments_and_windows()
        self.log.close(
            EndLine(
                self._congestion_control,
                cpu_share,
                problem,
                host=self._machine.told(),
                mss_bytes=max(segments, default=None),
                receive_window_bytes=max(windows, default=None),
            )
        )

    def _segments_and_windows(self) -> tuple[list[int], list[int]]:
        """What the streams sent in, and what the far end offered; nothing when this end is the receiver."""
        if self.request.direction is Direction.UPLOAD:
            return [], []
        streams = [stream for stream in self._streams if stream is not None]
        return (
            [stream.info.snd_mss_bytes for stream in streams if stream.info is not None],
            [stream.receive_window_bytes for stream in streams if stream.receive_window_bytes is not None],
        )
