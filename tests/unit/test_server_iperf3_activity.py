"""The server's end of an iperf3 lease, over a fake host: ready when it listens, killed with the lease."""

import asyncio

import pytest
from server_app import FakeHost

from sitetest_server.engine_host import HostError
from sitetest_server.iperf3_activity import Iperf3Activity
from sitetest_server.sample_log import SampleLog
from sitetest_wire.messages import EndLine, LeaseRequest
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

REQUEST = LeaseRequest("counter-laptop", EngineName.IPERF3, Direction.DOWNLOAD, 5, 3.0, 30.0)
SAMPLE = Sample(0.1, (1,), CountedAs.ACKED, (2.0,), 3)


async def all_of(log: SampleLog) -> list[Sample | EndLine]:
    return [entry async for entry in log.follow()]


async def test_it_is_ready_once_the_host_listens_and_passes_samples_and_end_on() -> None:
    host = FakeHost()
    activity = Iperf3Activity(host, REQUEST)
    assert activity.iperf3_port is None
    await activity.ready()
    assert activity.iperf3_port == host.runs[0].port
    host.on_sample[0](SAMPLE)
    host.runs[0].end.set_result(EndLine(congestion_control="cubic", raw="{}"))
    assert await all_of(activity.log) == [SAMPLE, EndLine(congestion_control="cubic", raw="{}")]
    await activity.closed()


async def test_the_end_of_the_lease_kills_the_host_and_says_why() -> None:
    host = FakeHost()
    activity = Iperf3Activity(host, REQUEST)
    await activity.ready()
    activity.end("the lease ended: its time was over")
    await activity.closed()
    assert host.runs[0].killed
    assert await all_of(activity.log) == [EndLine(problem="the lease ended: its time was over")]


async def test_a_host_that_cannot_start_is_told_to_whoever_waits_for_it() -> None:
    activity = Iperf3Activity(FakeHost(failure="no port is free"), REQUEST)
    with pytest.raises(HostError, match="no port is free"):
        await activity.ready()
    assert await all_of(activity.log) == [EndLine(problem="no port is free")]


async def test_a_lease_that_ends_while_its_host_starts_leaves_nobody_waiting() -> None:
    host = FakeHost(gate=asyncio.Event())
    activity = Iperf3Activity(host, REQUEST)
    waiting = asyncio.ensure_future(activity.ready())
    await asyncio.sleep(0)
    activity.end(None)
    with pytest.raises(HostError, match="before the iperf3 host was ready"):
        await asyncio.wait_for(waiting, 1)
    await activity.closed()
    assert host.runs == []
    assert activity.log.closed
