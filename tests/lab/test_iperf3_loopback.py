"""The iperf3 engine and host against the libiperf that is installed, over loopback: no root needed."""

import asyncio
import os
import socket
import sys
import time
from pathlib import Path

import pytest
from direct_leases import DirectLeases, QuietWatch
from socket_filters import needs_filter

from sitetest.engines.base import TransferSpec
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest.engines.iperf3_record import first_object, samples_from_record
from sitetest_server.engine_host import HostError
from sitetest_server.iperf3_host import Iperf3Host
from sitetest_wire.messages import LeaseRequest
from sitetest_wire.words import Direction, EngineName

pytestmark = [pytest.mark.libiperf, pytest.mark.slow]

REQUEST = LeaseRequest("counter laptop", EngineName.IPERF3, Direction.DOWNLOAD, 2, 0.0, 1.0)


def _leases(host: Iperf3Host | None = None) -> DirectLeases:
    return DirectLeases(host or Iperf3Host(range(0, 1), "127.0.0.1"), "127.0.0.1", asyncio.get_running_loop())


def test_what_is_found_is_told() -> None:
    """Both ends name the version; the agent also the library."""
    offer = Iperf3Host(range(0, 1)).offer()
    assert offer.usable
    assert offer.version is not None
    assert offer.version.split(".")[0] == "3"


@pytest.mark.parametrize("direction", list(Direction))
async def test_samples_agree_with_the_receivers_own_record(direction: Direction) -> None:
    """What the kernel counted is what libiperf says the receiver read, but for what was still in its buffers."""
    leases = _leases()
    engine = Iperf3Engine(leases, "counter laptop")
    result = await engine.transfer(TransferSpec(direction, 2, 0.0, 1.0), QuietWatch(), asyncio.Event())
    assert result.failure is None
    raw = result.raw if direction is Direction.DOWNLOAD else leases.end_lines[-1].raw
    record = first_object(raw or "")
    assert record is not None
    from_record = samples_from_record(record)
    assert from_record[-1].total_bytes == pytest.approx(result.moved_bytes, rel=0.05)
    assert len(from_record[-1].stream_bytes) == 2
    assert leases.end_lines[-1].problem is None


async def test_little_time_is_lost_around_a_transfer() -> None:
    """Two processes, a connection and the exchange of results: half a second on an idle machine; here twice that, for
    a busy one."""
    began_s = time.monotonic()
    spec = TransferSpec(Direction.DOWNLOAD, 1, 0.0, 1.0)
    result = await Iperf3Engine(_leases(), "counter laptop").transfer(spec, QuietWatch(), asyncio.Event())
    assert result.failure is None
    assert time.monotonic() - began_s < 2.0


async def test_ports_are_taken_in_turn_and_only_while_free() -> None:
    """A port that another program holds is passed over; when none is left, that is said."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[1]
        host = Iperf3Host(range(taken, taken + 1), "127.0.0.1")
        with pytest.raises(HostError, match=str(taken)):
            await host.start(REQUEST, lambda sample: None)
    run = await host.start(REQUEST, lambda sample: None)
    assert run.port == taken
    with pytest.raises(HostError, match="free"):
        await host.start(REQUEST, lambda sample: None)
    await run.kill()
    again = await host.start(REQUEST, lambda sample: None)
    await again.kill()
    assert again.port == taken


async def test_a_killed_host_says_so_and_is_gone() -> None:
    """Killing twice does nothing more; the port listens no longer."""
    run = await Iperf3Host(range(0, 1), "127.0.0.1").start(REQUEST, lambda sample: None)
    await run.kill()
    await run.kill()
    assert (await run.finished()).problem == "the iperf3 host was killed"
    with pytest.raises(ProcessLookupError):
        os.kill(run.pid, 0)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", run.port), timeout=2)


@needs_filter
async def test_a_host_for_one_address_serves_it_after_a_stranger_knocked() -> None:
    """A stranger gets no connection at all, and so takes no lease holder's place."""
    run = await Iperf3Host(range(0, 1), "127.0.0.1").start(REQUEST, lambda sample: None, only_from="127.0.0.1")
    with socket.socket() as stranger:
        stranger.bind(("127.0.0.2", 0))
        stranger.settimeout(0.2)
        with pytest.raises(TimeoutError):
            stranger.connect(("127.0.0.1", run.port))
    with socket.create_connection(("127.0.0.1", run.port), timeout=5):
        pass
    await run.kill()


async def test_an_address_that_this_machine_does_not_have() -> None:
    """The lease is refused with libiperf's number, not accepted and then dead."""
    with pytest.raises(HostError):
        await Iperf3Host(range(0, 1), "192.0.2.99").start(REQUEST, lambda sample: None)


def _open_descriptors() -> int:
    return len(list(Path("/proc/self/fd" if sys.platform == "linux" else "/dev/fd").iterdir()))


async def test_many_hosts_leave_nothing_behind() -> None:
    """As many descriptors after five as after one."""
    host = Iperf3Host(range(0, 1), "127.0.0.1")
    counts = []
    for _ in range(5):
        run = await host.start(REQUEST, lambda sample: None)
        await run.kill()
        counts.append(_open_descriptors())
    assert counts[1:] == counts[:-1]
