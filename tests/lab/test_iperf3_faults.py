"""What goes wrong around an iperf3 transfer ends it soon, with a clear failure, and keeps what was seen."""

import asyncio
import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
from direct_leases import DirectLeases, QuietWatch, leases_in_lab
from lab_network import LabNetwork, NamespaceTask, truth_mbps
from side_by_side import both_directions_at_once

from sitetest.engines.base import FailureKind, TransferResult, TransferSpec
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction

pytestmark = [
    pytest.mark.lab,
    pytest.mark.libiperf,
    pytest.mark.slow,
    pytest.mark.usefixtures("eight_streams_for_40_s"),
]

LongTransfer = NamespaceTask[tuple[TransferResult, float]]
"""Gives the result, and how many seconds it took."""

both_directions = pytest.mark.parametrize("direction", list(Direction))


@pytest.fixture(scope="module")
def eight_streams_for_40_s() -> Iterator[LongTransfer]:
    """Begins with the first test and runs beside the others, in a network of its own, at no more than 20 Mbit/s."""
    with LabNetwork() as network:
        network.set_rate(20)
        leases = leases_in_lab(network)

        async def run() -> tuple[TransferResult, float]:
            began_s = time.monotonic()
            engine = Iperf3Engine(leases, "counter laptop")
            spec = TransferSpec(Direction.DOWNLOAD, streams=8, warm_up_s=2, duration_s=38)
            result = await engine.transfer(spec, QuietWatch(), asyncio.Event())
            return result, time.monotonic() - began_s

        yield network.start_in("laptop", run)


@dataclass(eq=False)
class ActsOnce(QuietWatch):
    """Does something once the transfer has been seen for ``after_s`` seconds, and remembers when."""

    act: Callable[[], None]
    after_s: float = 1.0
    acted_at_s: float | None = None

    def sample(self, sample: Sample) -> None:
        """Act when it is time."""
        if self.acted_at_s is None and sample.at_s >= self.after_s:
            self.act()
            self.acted_at_s = time.monotonic()


def _transfer(
    lab: LabNetwork,
    leases: DirectLeases,
    spec: TransferSpec,
    watch: QuietWatch | None = None,
    stop: asyncio.Event | None = None,
) -> TransferResult:
    async def run() -> TransferResult:
        engine = Iperf3Engine(leases, "counter laptop")
        return await engine.transfer(spec, watch or QuietWatch(), stop or asyncio.Event())

    return lab.run_in("laptop", run, timeout_s=100)


def _since(watch: ActsOnce) -> float:
    assert watch.acted_at_s is not None, "the transfer ended before anything could be done to it"
    return time.monotonic() - watch.acted_at_s


@both_directions
def test_server_killed_in_the_middle(lab: LabNetwork, direction: Direction) -> None:
    """The transfer ends at once, says so, and keeps its samples; the server's side says what became of the worker."""
    lab.set_rate(50)
    leases = leases_in_lab(lab)
    watch = ActsOnce(lambda: os.kill(leases.runs[-1].pid, signal.SIGKILL))
    result = _transfer(lab, leases, TransferSpec(direction, 3, 0.5, 20), watch)
    assert _since(watch) < 3
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED
    assert "17301" in result.failure.message
    assert result.receiver[-1].at_s > 0.7
    assert "signal 9" in (leases.end_lines[-1].problem or "")


def test_link_down_in_the_middle_and_up_again(make_lab: Callable[..., LabNetwork]) -> None:
    """Within 15 s it is over and the seconds are kept; with the link back the next transfer measures as ever."""
    labs = {direction: make_lab() for direction in Direction}
    both_directions_at_once(lambda direction: _link_down_and_up(labs[direction], direction))


def _link_down_and_up(lab: LabNetwork, direction: Direction) -> None:
    lab.set_rate(50)
    leases = leases_in_lab(lab)
    watch = ActsOnce(lab.link_down, after_s=2.0)
    result = _transfer(lab, leases, TransferSpec(direction, 3, 0.5, 30), watch)
    assert _since(watch) < 15
    assert result.failure is not None
    assert result.failure.kind in (FailureKind.LINK_LOST, FailureKind.STALLED)
    assert result.window is not None
    before_the_drop = [sample for sample in result.receiver if sample.at_s < 1.9]
    assert before_the_drop[-1].total_bytes > 50e6 / 8  # a second's worth at the rate, and more
    lab.link_up()
    again = _transfer(lab, leases, TransferSpec(direction, 3, 0.5, 2))
    assert again.failure is None
    assert again.throughput_mbps == pytest.approx(truth_mbps(50), rel=0.05)


def test_a_short_outage_is_lived_through(make_lab: Callable[..., LabNetwork]) -> None:
    """A fade or a roam of 2 s leaves a hole in the seconds, and the transfer goes to its end."""
    labs = {direction: make_lab() for direction in Direction}
    both_directions_at_once(lambda direction: _short_outage(labs[direction], direction))


def _short_outage(lab: LabNetwork, direction: Direction) -> None:
    lab.set_rate(50)

    def fade() -> None:
        lab.link_down()
        asyncio.get_running_loop().call_later(2.0, lab.link_up)

    watch = ActsOnce(fade)
    result = _transfer(lab, leases_in_lab(lab), TransferSpec(direction, 3, 0.5, 7.5), watch)
    assert _since(watch) > 2
    assert result.failure is None
    assert result.throughput_mbps is not None
    assert 0.2 * truth_mbps(50) < result.throughput_mbps < 0.9 * truth_mbps(50)


@both_directions
def test_an_idle_connection_does_not_block_the_host(lab: LabNetwork, direction: Direction) -> None:
    """A port scan or a health check that connects first and says nothing is passed over."""
    lab.set_rate(50)
    leases = leases_in_lab(lab)

    class Scanner(QuietWatch):
        """Connects to the host when the lease is held, before the engine does."""

        idle: socket.socket

        def started(self) -> None:
            """The host listens now."""
            self.idle = socket.create_connection((leases.host, leases.runs[-1].port), timeout=2)

    watch = Scanner()
    result = _transfer(lab, leases, TransferSpec(direction, 3, 0.5, 1.5), watch)
    watch.idle.close()
    assert result.failure is None
    assert result.throughput_mbps == pytest.approx(truth_mbps(50), rel=0.05)


@both_directions
def test_stop_ends_it_within_a_second_and_keeps_the_samples(lab: LabNetwork, direction: Direction) -> None:
    """Told to stop, the engine stops, and leaves no process behind."""
    lab.set_rate(50)
    leases = leases_in_lab(lab)
    stop = asyncio.Event()
    watch = ActsOnce(stop.set)
    result = _transfer(lab, leases, TransferSpec(direction, 3, 0.5, 20), watch, stop)
    assert _since(watch) < 1
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STOPPED
    assert result.receiver[-1].total_bytes > 0
    with pytest.raises(ProcessLookupError):
        os.kill(leases.runs[-1].pid, 0)


@both_directions
def test_a_cap_on_bytes_is_kept(lab: LabNetwork, direction: Direction) -> None:
    """The transfer ends at the permitted volume, not after its nominal time."""
    lab.set_rate(50)
    spec = TransferSpec(direction, 3, 0.5, 20, max_bytes=5_000_000)
    result = _transfer(lab, leases_in_lab(lab), spec)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.DATA_CAP
    assert 4_000_000 < result.moved_bytes < 7_000_000


def test_no_way_to_the_machine(lab: LabNetwork) -> None:
    """A host that is not there is told apart from one that refuses, within the connect timeout and the probe."""
    leases = leases_in_lab(lab)
    leases.host = "10.77.1.99"
    began_s = time.monotonic()
    result = _transfer(lab, leases, TransferSpec(Direction.UPLOAD, 1, 0, 1))
    assert result.failure is not None
    assert result.failure.kind in (FailureKind.UNREACHABLE, FailureKind.CONNECT_TIMEOUT)
    assert "10.77.1.99:17301" in result.failure.message
    assert time.monotonic() - began_s < 6


@both_directions
def test_a_congestion_control_that_the_sender_does_not_have(lab: LabNetwork, direction: Direction) -> None:
    """It is a failure with a clear sentence, not a measurement with another one."""
    spec = TransferSpec(direction, 1, 0, 1, congestion_control="nosuch")
    result = _transfer(lab, leases_in_lab(lab), spec)
    assert result.failure is not None
    assert (result.failure.kind, direction) == (FailureKind.UNAVAILABLE, direction)
    assert "congestion control" in result.failure.message


@both_directions
def test_the_asked_congestion_control_is_used_and_told(lab: LabNetwork, direction: Direction) -> None:
    """Reno is in every Linux kernel (RFC 5681)."""
    lab.set_rate(50)
    spec = TransferSpec(direction, 1, 0, 1, congestion_control="reno")
    result = _transfer(lab, leases_in_lab(lab), spec)
    assert result.failure is None
    assert result.congestion_control == "reno"


def test_a_record_above_64_kib_does_not_block(eight_streams_for_40_s: LongTransfer) -> None:
    """libiperf prints more than a pipe holds (64 KiB, pipe(7)), and it is kept whole. Last in this file on purpose."""
    result, took_s = eight_streams_for_40_s.result(60)
    assert result.failure is None
    assert result.raw is not None
    assert len(result.raw) > 65536
    assert result.raw.rstrip().endswith("}")
    assert took_s < 43
