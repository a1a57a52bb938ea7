"""The server's end of an http lease: what is counted, when it is over, and what the last sample holds."""

import asyncio
import itertools
from typing import Any

import pytest
from invented_machine import InventedMachine

from sitetest_server.http_activity import LINGER_S, HttpActivity, StreamRefused
from sitetest_wire.messages import EndLine, LeaseRequest, ServerHost
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

NOTHING_TOLD = ServerHost(None, None, None, ())


class FakeTransport(asyncio.Transport):
    """A connection without a socket."""

    def __init__(self) -> None:
        super().__init__()
        self.aborted = False

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return default

    def abort(self) -> None:
        self.aborted = True


class Time:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def upload(time: Time, streams: int = 2, max_bytes: int = 10**12) -> HttpActivity:
    request = LeaseRequest("counter-laptop", EngineName.HTTP, Direction.UPLOAD, streams, 0.0, 5.0)
    return HttpActivity(
        request,
        clock=time,
        cpu_clock=itertools.count(0.0, 0.25).__next__,
        machine=InventedMachine().watch(None),
        max_bytes=max_bytes,
    )


async def entries(activity: HttpActivity) -> tuple[list[Sample], EndLine]:
    samples: list[Sample] = []
    async for entry in activity.log.follow():
        if isinstance(entry, EndLine):
            return samples, entry
        samples.append(entry)
    raise AssertionError("no end line")


async def test_counts_are_kept_by_the_number_in_the_route_whatever_the_order_of_arrival() -> None:
    activity = upload(Time())
    second = activity.open_stream(1, FakeTransport())
    activity.count(second, 700)
    first = activity.open_stream(0, FakeTransport())
    activity.count(first, 40)
    activity.count(second, 7)
    activity.close_stream(second)
    activity.close_stream(first)
    samples, end = await entries(activity)
    assert samples[-1].stream_bytes == (40, 707)
    assert samples[-1].counted_as is CountedAs.RECEIVED
    assert end.problem is None


async def test_the_last_sample_is_taken_when_the_last_stream_closes_and_not_later() -> None:
    """A sample taken after the transfer would stretch the measuring window over silence."""
    time = Time()
    activity = upload(time)
    streams = [activity.open_stream(n, FakeTransport()) for n in range(2)]
    time.now_s += 3.0
    activity.count(streams[0], 1)
    activity.close_stream(streams[0])
    time.now_s += 0.02
    activity.count(streams[1], 2)
    activity.close_stream(streams[1])
    assert activity.log.closed
    time.now_s += 1.0
    await activity.closed()
    samples, end = await entries(activity)
    assert samples[-1].at_s == pytest.approx(3.02)
    assert samples[-1].total_bytes == 3
    assert end.cpu_share == pytest.approx(0.25 / 3.02)


async def test_samples_come_at_their_period_with_bytes_that_never_shrink() -> None:
    loop = asyncio.get_running_loop()
    request = LeaseRequest("counter-laptop", EngineName.HTTP, Direction.UPLOAD, 1, 0.0, 5.0)
    activity = HttpActivity(
        request, clock=loop.time, cpu_clock=lambda: 0.0, machine=InventedMachine().watch(None), max_bytes=10**9
    )
    started_s = loop.time()
    stream = activity.open_stream(0, FakeTransport())
    for _ in range(25):
        activity.count(stream, 1000)
        await asyncio.sleep(0.02)
    activity.close_stream(stream)
    samples, _ = await entries(activity)
    assert samples[0].total_bytes == 0 or samples[0].at_s < SAMPLE_PERIOD_S
    totals = [sample.total_bytes for sample in samples]
    assert totals == sorted(totals)
    assert totals[-1] == 25_000
    # In half a second: one at the start, one a period, one at the end. A busy machine may lose some, never add any.
    assert 3 <= len(samples) <= (loop.time() - started_s) / SAMPLE_PERIOD_S + 3


async def test_a_stream_out_of_range_or_used_twice_is_refused() -> None:
    activity = upload(Time())
    for index in (-1, 2):
        with pytest.raises(StreamRefused, match="0 to 1"):
            activity.open_stream(index, FakeTransport())
    activity.open_stream(0, FakeTransport())
    with pytest.raises(StreamRefused, match="used already"):
        activity.open_stream(0, FakeTransport())
    activity.end(None)
    with pytest.raises(StreamRefused, match="over"):
        activity.open_stream(1, FakeTransport())


async def test_the_end_of_the_lease_breaks_every_connection_and_keeps_what_was_counted() -> None:
    time = Time()
    activity = upload(time)
    transports = [FakeTransport(), FakeTransport()]
    streams = [activity.open_stream(n, transport) for n, transport in enumerate(transports)]
    time.now_s += 1.0
    activity.count(streams[1], 5)
    activity.end("the lease ended: its time was over")
    assert all(transport.aborted for transport in transports)
    activity.close_stream(streams[0])  # as the cancelled handlers do, later
    activity.close_stream(streams[1])
    samples, end = await entries(activity)
    assert samples[-1].stream_bytes == (0, 5)
    assert end.problem == "the lease ended: its time was over"


async def test_the_cap_on_bytes_ends_the_transfer_over_all_its_streams() -> None:
    activity = upload(Time(), max_bytes=1000)
    transports = [FakeTransport(), FakeTransport()]
    first, second = (activity.open_stream(n, transport) for n, transport in enumerate(transports))
    activity.count(first, 600)
    assert not activity.log.closed
    activity.count(second, 401)
    assert all(transport.aborted for transport in transports)
    _, end = await entries(activity)
    assert end.problem == "stopped at this server's cap of 1000 bytes a transfer"


async def test_a_transfer_of_which_a_stream_never_came_up_ends_and_says_so() -> None:
    time = Time()
    activity = upload(time, streams=3)
    for n in range(2):
        stream = activity.open_stream(n, FakeTransport())
        activity.count(stream, 10)
        activity.close_stream(stream)
    assert not activity.log.closed
    time.now_s += LINGER_S
    samples, end = await asyncio.wait_for(entries(activity), 5)
    assert end.problem == "2 of 3 streams came up"
    assert samples[-1].at_s == 0.0


async def test_a_lease_that_ends_without_a_stream_has_an_end_line() -> None:
    activity = upload(Time())
    activity.end(None)
    assert await entries(activity) == ([], EndLine(host=NOTHING_TOLD))


async def test_the_end_line_tells_the_machine_on_the_clock_of_the_samples() -> None:
    """Held for 2 s, then 3 s of payload on an interface of 1000 Mbit/s."""
    machine = InventedMachine()
    request = LeaseRequest("counter-laptop", EngineName.HTTP, Direction.UPLOAD, 1, 0.0, 5.0)
    activity = HttpActivity(
        request, clock=machine.clock, cpu_clock=lambda: 0.0, machine=machine.watch("192.0.2.1"), max_bytes=10**9
    )
    machine.pass_time(2.0)
    stream = activity.open_stream(0, FakeTransport())
    machine.pass_time(3.0)
    activity.count(stream, 10)
    activity.close_stream(stream)
    samples, end = await entries(activity)
    assert end.host is not None
    assert (end.host.interface, end.host.speed_mbps, end.host.duplex) == ("eth0", 1000, "full")
    assert [second.at_s for second in end.host.seconds] == [-1.0, 0.0, 1.0, 2.0, 3.0]
    assert end.host.seconds[-1].at_s == samples[-1].at_s
    assert (end.mss_bytes, end.receive_window_bytes) == (None, None), "the server is the receiver"
