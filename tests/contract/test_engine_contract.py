"""What every engine keeps, so that the visit need not know which one it holds.

The rules are run against each engine of RIGS, with a real server as a process of its own. An engine joins by one more
entry there: a rig gives engines that are well connected, and engines whose server is missing in some way.
"""

import asyncio
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Protocol

import pytest
from http_transfers import AGENT, KeepingWatch
from server_process import ServerProcess, server_process

from sitetest.engines.base import Engine, FailureKind, Reflector, TransferResult, TransferSpec
from sitetest.engines.http import HttpEngine
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest.engines.server_api import ServerApi
from sitetest.observe.prober import LatencyProber
from sitetest_server.host_facts import interface_with
from sitetest_server.host_watch import SHORTEST_S
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

pytestmark = pytest.mark.slow


class EngineRig(Protocol):
    """An engine and the other end that it measures against."""

    def engine(self) -> Engine:
        """The engine, with everything right."""

    def engine_with_wrong_token(self) -> Engine:
        """The engine, with a token that the server does not know."""

    def engine_without_server(self) -> Engine:
        """The engine, pointed at a port of this machine on which nothing listens."""

    def kill_server(self) -> None:
        """Make the other end vanish without a word."""

    async def close(self) -> None:
        """Close what the engines hold open."""


@dataclass(slots=True)
class ServerRig:
    """An engine on the API of a real server. make: builds the engine on it."""

    server: ServerProcess
    make: Callable[[ServerApi, str], Engine]
    apis: list[ServerApi]

    def _engine(self, address: str, token: str) -> Engine:
        self.apis.append(ServerApi(address, token))
        return self.make(self.apis[-1], AGENT)

    def engine(self) -> Engine:
        """See EngineRig."""
        return self._engine(self.server.url, self.server.token)

    def engine_with_wrong_token(self) -> Engine:
        """See EngineRig."""
        return self._engine(self.server.url, "not-the-token")

    def engine_without_server(self) -> Engine:
        """See EngineRig."""
        with socket.create_server(("127.0.0.1", 0)) as closed_again:
            port = closed_again.getsockname()[1]
        return self._engine(f"127.0.0.1:{port}", self.server.token)

    def kill_server(self) -> None:
        """See EngineRig."""
        os.kill(self.server.pid, signal.SIGKILL)

    async def close(self) -> None:
        """See EngineRig."""
        for api in self.apis:
            await api.close()


RIGS = [
    pytest.param(HttpEngine, id="http"),
    pytest.param(Iperf3Engine, id="iperf3", marks=pytest.mark.libiperf),
]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """One server for all that leave it alive: what a test leaves behind in it is seen by the next one as a wait."""
    with server_process(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture(params=RIGS)
async def rig(request: pytest.FixtureRequest, server: ServerProcess) -> AsyncIterator[EngineRig]:
    made = ServerRig(server, request.param, [])
    yield made
    await made.close()


@pytest.fixture(params=RIGS)
async def rig_to_kill(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[EngineRig]:
    """With a server of its own."""
    with server_process(tmp_path / "server") as own:
        made = ServerRig(own, request.param, [])
        yield made
        await made.close()


@dataclass(slots=True)
class GoneWell:
    """A transfer of one second with nothing in its way, and what was told while it ran.

    moved: whether a sample had come when the idle path was given, before and after the load. answered: what the
    reflector answered before the load, after it, and once the transfer had returned; probed: of how many.
    """

    result: TransferResult
    watch: KeepingWatch
    moved: list[bool] = field(default_factory=list)
    answered: list[int] = field(default_factory=list)
    probed: list[int] = field(default_factory=list)

    async def probe(self, reflector: Reflector) -> None:
        """Ask for round trips for a moment."""
        prober = LatencyProber((reflector.host, reflector.port), reflector.token, interval_s=0.01, timeout_s=0.3)
        task = asyncio.create_task(prober.run())
        await asyncio.sleep(0.1)
        probes = (await prober.finish()).probes
        await task
        self.answered.append(sum(probe.rtt_ms is not None for probe in probes))
        self.probed.append(len(probes))

    async def before(self, reflector: Reflector | None) -> None:
        """See Watch."""
        self.moved.append(bool(self.watch.samples))
        assert reflector is not None
        await self.probe(reflector)

    async def after(self) -> None:
        """See Watch."""
        self.moved.append(bool(self.watch.samples))
        assert self.watch.reflector is not None
        await self.probe(self.watch.reflector)


@pytest.fixture(scope="module", params=RIGS)
def one_engine(request: pytest.FixtureRequest) -> Callable[[ServerApi, str], Engine]:
    make: Callable[[ServerApi, str], Engine] = request.param
    return make


@pytest.fixture(scope="module", params=list(Direction))
def gone_well(
    request: pytest.FixtureRequest, one_engine: Callable[[ServerApi, str], Engine], server: ServerProcess
) -> GoneWell:
    """Run once for each engine and direction: several rules are about the same transfer."""

    async def transfer() -> GoneWell:
        wanted = spec(request.param, 1.0)
        told = GoneWell(TransferResult(wanted), KeepingWatch())
        told.watch.before, told.watch.after = told.before, told.after
        async with ServerApi(server.url, server.token) as api:
            told.result = await run(one_engine(api, AGENT), wanted, told.watch)
        assert told.watch.reflector is not None
        await told.probe(told.watch.reflector)
        return told

    return asyncio.run(transfer())


both_directions = pytest.mark.parametrize("direction", list(Direction))


def spec(direction: Direction, duration_s: float, streams: int = 2) -> TransferSpec:
    return TransferSpec(direction, streams=streams, warm_up_s=0.3, duration_s=duration_s)


async def run(
    engine: Engine, wanted: TransferSpec, watch: KeepingWatch | None = None, stop: asyncio.Event | None = None
) -> TransferResult:
    async with asyncio.timeout(wanted.total_s + 20):
        return await engine.transfer(wanted, watch or KeepingWatch(), stop or asyncio.Event())


def assert_in_order(samples: tuple[Sample, ...]) -> None:
    for before, now in pairwise(samples):
        assert now.at_s >= before.at_s
        padded = before.stream_bytes + (0,) * (len(now.stream_bytes) - len(before.stream_bytes))
        assert all(count >= earlier for earlier, count in zip(padded, now.stream_bytes, strict=True))


def test_a_transfer_that_goes_well_has_a_whole_window_from_the_receiver(gone_well: GoneWell) -> None:
    result, watch = gone_well.result, gone_well.watch
    wanted = spec(result.spec.direction, 1.0)
    assert result.failure is None
    assert result.spec == wanted
    assert result.window is not None
    assert result.window.length_s == pytest.approx(wanted.duration_s, abs=1e-6)
    assert result.window.start_s >= wanted.warm_up_s
    assert result.throughput_mbps is not None
    assert result.throughput_mbps > 0
    assert result.received_bytes is not None
    assert 0 < result.received_bytes <= result.moved_bytes
    assert {sample.counted_as for sample in result.receiver} == {CountedAs.RECEIVED}
    assert len(result.receiver[-1].stream_bytes) == wanted.streams
    assert result.engine_version
    assert result.local_address == "127.0.0.1"
    assert result.remote_address == "127.0.0.1"
    assert not result.shared
    assert result.client_cpu_share is None or result.client_cpu_share > 0
    assert watch.starts == 1
    assert watch.waits == []


def test_counts_never_go_back_and_come_often_enough_to_cut_a_window(gone_well: GoneWell) -> None:
    result, watch = gone_well.result, gone_well.watch
    for samples in (result.receiver, result.sender, tuple(watch.samples)):
        assert_in_order(samples)
    assert len(result.receiver) >= 8
    assert len(watch.samples) >= 8


def test_the_sender_tells_round_trip_times_and_retransmits(gone_well: GoneWell) -> None:
    """Where the system tells (Linux): from our kernel for an upload, from the server's for a download."""
    result = gone_well.result
    if not result.sender:
        pytest.skip("this system does not tell")
    assert result.sender[-1].rtt_ms is not None
    assert all(rtt_ms > 0 for rtt_ms in result.sender[-1].rtt_ms)
    assert result.retransmits is not None


def test_the_path_is_idle_before_and_after_the_load_and_the_lease_is_held_meanwhile(gone_well: GoneWell) -> None:
    """The reflector answers its lease's token for as long as the lease is held, and not a packet later."""
    assert gone_well.watch.idle == ["before", "after"]
    assert gone_well.moved == [False, True]
    assert gone_well.watch.reflector is not None
    assert gone_well.watch.reflector.host == "127.0.0.1"
    before, after, released = gone_well.answered
    assert before > 0
    assert after > 0
    assert gone_well.probed[2] > 0
    assert released == 0


def test_the_servers_machine_is_told_second_by_second_on_the_clock_of_the_samples(gone_well: GoneWell) -> None:
    """Over the interface that has 127.0.0.1 (RFC 1122: loopback, no speed), which sends all of the payload. What was
    read before the first byte ends at zero of the samples' clock or before it."""
    host = gone_well.result.server_host
    assert host is not None
    assert host.interface == interface_with("127.0.0.1")
    assert (host.speed_mbps, host.duplex) == (None, None)
    loaded = [second for second in host.seconds if second.at_s > SHORTEST_S]
    assert loaded[0].at_s - loaded[0].length_s == pytest.approx(0, abs=SHORTEST_S)
    assert loaded[-1].at_s >= gone_well.result.spec.total_s - SHORTEST_S
    assert all(second.busiest_core_pct is not None and 0 < second.busiest_core_pct <= 100 for second in loaded)
    assert sum(second.sent_bytes or 0 for second in loaded) > 0.5 * gone_well.result.moved_bytes
    for before, now in pairwise(host.seconds):
        assert -0.01 <= now.at_s - before.at_s - now.length_s <= SHORTEST_S, "one follows the other"


@pytest.mark.skipif(sys.platform != "linux", reason="TCP_INFO is Linux")
def test_the_sender_tells_its_segments_and_the_window_it_was_offered(gone_well: GoneWell) -> None:
    """A segment of payload fits into the loopback's MTU (65536 octets) with the headers and options of RFC 9293."""
    result = gone_well.result
    assert result.mss_bytes is not None
    assert 20_000 < result.mss_bytes <= 65_536 - 40 - 12
    assert result.receive_window_bytes is not None
    assert result.receive_window_bytes > 65_535, "more than fits into the header without scaling (RFC 7323, section 2)"


@both_directions
async def test_a_stop_on_the_idle_path_comes_before_any_payload(rig: EngineRig, direction: Direction) -> None:
    stop = asyncio.Event()

    async def stop_and_wait(reflector: Reflector | None) -> None:
        stop.set()
        await asyncio.Event().wait()

    watch = KeepingWatch(before=stop_and_wait)
    result = await run(rig.engine(), spec(direction, 30.0), watch, stop)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STOPPED
    assert result.moved_bytes == 0
    assert watch.idle == ["before"]


@both_directions
async def test_a_stop_after_the_load_takes_nothing_away(rig: EngineRig, direction: Direction) -> None:
    """The idle path after the load is cut short, and the transfer stays what it was."""
    stop = asyncio.Event()

    async def stop_and_wait() -> None:
        stop.set()
        await asyncio.Event().wait()

    result = await run(rig.engine(), spec(direction, 0.3), KeepingWatch(after=stop_and_wait), stop)
    assert result.failure is None
    assert result.throughput_mbps is not None
    assert result.server_host is not None


@both_directions
async def test_one_engine_measures_again_and_again(rig: EngineRig, direction: Direction) -> None:
    engine = rig.engine()
    for _ in range(3):
        assert (await run(engine, spec(direction, 0.3))).failure is None


@both_directions
async def test_a_stop_ends_it_at_once_and_keeps_what_there_was(rig: EngineRig, direction: Direction) -> None:
    stop = asyncio.Event()
    watch = KeepingWatch(on_sample=lambda sample: stop.set() if sample.at_s > 0.5 else None)
    clock = asyncio.get_running_loop().time
    began_s = clock()
    result = await run(rig.engine(), spec(direction, 30.0), watch, stop)
    assert clock() - began_s < 5.0
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STOPPED
    assert result.moved_bytes > 0
    assert watch.idle == ["before"], "whoever stopped it does not want to wait"
    assert_in_order(result.receiver)


@both_directions
async def test_a_stop_before_it_began_is_a_stop(rig: EngineRig, direction: Direction) -> None:
    stop = asyncio.Event()
    stop.set()
    result = await run(rig.engine(), spec(direction, 30.0), stop=stop)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STOPPED


@both_directions
async def test_a_server_that_is_killed_is_a_failure_with_the_samples_until_then(
    rig_to_kill: EngineRig, direction: Direction
) -> None:
    killed: list[float] = []

    def kill(sample: Sample) -> None:
        if sample.at_s > 0.8 and not killed:
            killed.append(sample.at_s)
            rig_to_kill.kill_server()

    clock = asyncio.get_running_loop().time
    began_s = clock()
    watch = KeepingWatch(on_sample=kill)
    result = await run(rig_to_kill.engine(), spec(direction, 30.0), watch)
    assert clock() - began_s < 8.0
    assert killed
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED
    assert result.failure.message
    assert result.receiver[-1].at_s > 0.5
    assert result.throughput_mbps is not None
    assert watch.idle == ["before"], "a broken path is not an idle one"


async def test_a_wrong_token_is_denied_before_anything_moves(rig: EngineRig) -> None:
    watch = KeepingWatch()
    result = await run(rig.engine_with_wrong_token(), spec(Direction.DOWNLOAD, 1.0), watch)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.LEASE_DENIED
    assert "token" in result.failure.message
    assert "not-the-token" not in result.failure.message, "a secret stands in a message that is stored"
    assert result.moved_bytes == 0
    assert watch.starts == 0
    assert watch.idle == []


async def test_a_port_on_which_nothing_listens_is_refused(rig: EngineRig) -> None:
    result = await run(rig.engine_without_server(), spec(Direction.DOWNLOAD, 1.0))
    assert result.failure is not None
    assert result.failure.kind is FailureKind.REFUSED
    assert "127.0.0.1" in result.failure.message


async def test_too_many_streams_are_a_failure_that_names_the_limit(rig: EngineRig) -> None:
    result = await run(rig.engine(), spec(Direction.DOWNLOAD, 1.0, streams=33))
    assert result.failure is not None
    assert result.failure.kind in (FailureKind.LEASE_DENIED, FailureKind.UNAVAILABLE)
    assert "32" in result.failure.message


@both_directions
async def test_two_agents_measure_one_after_the_other(rig: EngineRig, direction: Direction) -> None:
    """The second one is told its place, its longest wait and who measures; neither is measured with the other."""
    first_moves = asyncio.Event()
    first_watch = KeepingWatch(on_sample=lambda sample: first_moves.set())
    first = asyncio.create_task(run(rig.engine(), spec(direction, 1.0), first_watch))
    await first_moves.wait()
    second_watch = KeepingWatch()
    second = await run(rig.engine(), spec(direction, 0.3), second_watch)
    result = await first
    assert result.failure is None
    assert second.failure is None
    assert not result.shared
    assert not second.shared
    assert second_watch.waits[0][0] == 1
    assert second_watch.waits[0][1] > 0
    assert second_watch.waits[0][2] == AGENT
    assert second_watch.starts == 1


@both_directions
async def test_a_cancelled_transfer_frees_the_server_at_once(rig: EngineRig, direction: Direction) -> None:
    moving = asyncio.Event()
    watch = KeepingWatch(on_sample=lambda sample: moving.set())
    task = asyncio.create_task(run(rig.engine(), spec(direction, 30.0), watch))
    await moving.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert watch.idle == ["before"]
    next_watch = KeepingWatch()
    assert (await run(rig.engine(), spec(direction, 0.3), next_watch)).failure is None
    assert next_watch.waits == []


def test_availability_is_an_answer_and_never_an_exception(rig: EngineRig) -> None:
    answer = rig.engine().availability()
    assert answer.usable == (answer.reason is None)
    assert answer.version
