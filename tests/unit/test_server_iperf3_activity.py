"""The server's end of an iperf3 lease, over a fake host: ready when it listens, killed with the lease."""

import asyncio
from dataclasses import replace

import pytest
from invented_machine import InventedMachine
from server_app import FakeHost

from sitetest_server.engine_host import HostError
from sitetest_server.iperf3_activity import Iperf3Activity
from sitetest_server.sample_log import SampleLog
from sitetest_wire.messages import EndLine, LeaseRequest, ServerHost
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

REQUEST = LeaseRequest("counter-laptop", EngineName.IPERF3, Direction.DOWNLOAD, 5, 3.0, 30.0)
SAMPLE = Sample(0.1, (1,), CountedAs.ACKED, (2.0,), 3)


NOTHING_BEGAN = ServerHost("eth0", 1000, "full", ())


def activity_on(host: FakeHost, machine: InventedMachine | None = None) -> Iperf3Activity:
    """An activity on an invented machine, for a laptop at 192.0.2.77."""
    machine = machine or InventedMachine()
    return Iperf3Activity(
        host, REQUEST, clock=machine.clock, machine=machine.watch("192.0.2.1"), only_from="192.0.2.77"
    )


async def all_of(log: SampleLog) -> list[Sample | EndLine]:
    return [entry async for entry in log.follow()]


async def test_it_is_ready_once_the_host_listens_and_passes_samples_and_end_on() -> None:
    host, machine = FakeHost(), InventedMachine()
    activity = activity_on(host, machine)
    assert activity.iperf3_port is None
    await activity.ready()
    assert activity.iperf3_port == host.runs[0].port
    host.on_sample[0](SAMPLE)
    host.runs[0].end.set_result(EndLine(congestion_control="cubic", raw="{}", mss_bytes=1448))
    seen, end = await all_of(activity.log)
    assert seen == SAMPLE
    assert isinstance(end, EndLine)
    assert replace(end, host=None) == EndLine(congestion_control="cubic", raw="{}", mss_bytes=1448)
    await activity.closed()


async def test_the_machine_is_told_on_the_clock_of_the_hosts_samples() -> None:
    """The host's process began to count 0.1 s before its first sample came here; its payload went over eth1."""
    host, machine = FakeHost(), InventedMachine()
    activity = activity_on(host, machine)
    await activity.ready()
    machine.pass_time(2.1)
    host.runs[0].local_address = "198.51.100.1"
    host.on_sample[0](SAMPLE)
    machine.pass_time(2.4)
    host.runs[0].end.set_result(EndLine())
    end = (await all_of(activity.log))[-1]
    assert isinstance(end, EndLine)
    assert end.host is not None
    assert (end.host.interface, end.host.speed_mbps, end.host.duplex) == ("eth1", 100, "half")
    assert [second.at_s for second in end.host.seconds] == [1.0, 2.0, 2.5]


async def test_the_host_is_for_whoever_asked_for_the_lease() -> None:
    host = FakeHost()
    activity = activity_on(host)
    await activity.ready()
    assert host.only_from == ["192.0.2.77"]
    activity.end(None)
    await activity.closed()


async def test_the_end_of_the_lease_kills_the_host_and_says_why() -> None:
    host = FakeHost()
    activity = activity_on(host)
    await activity.ready()
    activity.end("the lease ended: its time was over")
    await activity.closed()
    assert host.runs[0].killed
    assert await all_of(activity.log) == [EndLine(problem="the lease ended: its time was over", host=NOTHING_BEGAN)]


async def test_a_host_that_cannot_start_is_told_to_whoever_waits_for_it() -> None:
    activity = activity_on(FakeHost(failure="no port is free"))
    with pytest.raises(HostError, match="no port is free"):
        await activity.ready()
    assert await all_of(activity.log) == [EndLine(problem="no port is free", host=NOTHING_BEGAN)]


async def test_a_lease_that_ends_while_its_host_starts_leaves_nobody_waiting() -> None:
    host = FakeHost(gate=asyncio.Event())
    activity = activity_on(host)
    waiting = asyncio.ensure_future(activity.ready())
    await asyncio.sleep(0)
    activity.end(None)
    with pytest.raises(HostError, match="before the iperf3 host was ready"):
        await asyncio.wait_for(waiting, 1)
    await activity.closed()
    assert host.runs == []
    assert activity.log.closed
