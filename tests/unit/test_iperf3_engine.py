"""What the iperf3 engine makes of its worker's and its lease's behaviour, with workers that play libiperf's part."""

import asyncio
import socket
import textwrap
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from direct_leases import QuietWatch

from sitetest.engines import iperf3
from sitetest.engines.base import Failure, FailureKind, Reflector, TransferResult, TransferSpec, Watch
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest_wire import libiperf
from sitetest_wire.libiperf import Library, LibraryMissing, find_library
from sitetest_wire.messages import EndLine, LeaseRequest, LeaseState, ServerHost, ServerSecond
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction
from sitetest_wire.worker_process import WorkerProcess

DOWNLOAD = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=0.0, duration_s=1.0)
UPLOAD = TransferSpec(Direction.UPLOAD, streams=2, warm_up_s=0.0, duration_s=1.0)

FULL_TEST = """
tell("connected", local="192.0.2.1", remote="192.0.2.7", congestion_control="cubic")
for n in range(11):
    sample(n / 10, [1000 * n, 2000 * n])
tell("raw", text='{"intervals": [], '); tell("raw", text='"end": {}}')
tell("result", code=0, errno=0, text="", still_s=0.01, cpu_share=0.25)
"""
CONNECTED = 'tell("connected", local="192.0.2.1", remote="192.0.2.7", congestion_control="cubic")\n'
FOR_EVER = "while True:\n    sample(0.1, [10, 20]); time.sleep(0.01)"


@dataclass
class ScriptedLease:
    """A lease that tells what the test wants; ``hold`` keeps the stream of samples open."""

    lines: Sequence[Sample | EndLine | TransferProblem] = ()
    hold: bool = False
    ended: Failure | None = None
    state: LeaseState = field(default_factory=lambda: LeaseState("x", "active", iperf3_port=17301))
    server_address: str = "192.0.2.7"
    reflector: Reflector | None = None

    async def samples(self) -> AsyncIterator[Sample | EndLine]:
        """The scripted lines."""
        for line in self.lines:
            if isinstance(line, TransferProblem):
                raise line
            yield line
        if self.hold:
            await asyncio.Event().wait()


class ScriptedLeases:
    """Hands out the scripted lease, or the refusal."""

    def __init__(self, lease: ScriptedLease | None = None, refusal: Failure | None = None, host: str = "192.0.2.7"):
        self.host = host
        self.requests: list[LeaseRequest] = []
        self.released = 0
        self._lease = lease or ScriptedLease()
        self._refusal = refusal

    @asynccontextmanager
    async def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AsyncIterator[ScriptedLease]:
        """Hold the lease over the block."""
        self.requests.append(request)
        if self._refusal is not None:
            raise TransferProblem(self._refusal)
        watch.started()
        try:
            yield self._lease
        finally:
            self.released += 1


@pytest.fixture(autouse=True)
def library(monkeypatch: pytest.MonkeyPatch) -> None:
    """libiperf counts as found: no worker here loads it."""
    monkeypatch.setattr(iperf3, "find_library", lambda: Library("libiperf.so.0", "3.12"))


@dataclass
class Bench:
    """Runs transfers with a worker of the given source text."""

    folder: Path
    leases: ScriptedLeases = field(default_factory=ScriptedLeases)
    watch: QuietWatch = field(default_factory=QuietWatch)
    stop: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self, worker: str, spec: TransferSpec = DOWNLOAD) -> TransferResult:
        """Run one transfer."""
        program = self.folder / "worker.py"
        program.write_text(
            textwrap.dedent("""\
                import os, signal, time
                from sitetest_wire.supervised_worker import begin, leave
                events, asked = begin()
                tell = events.tell
                kind = "received" if asked["is_download"] else "acked"
                def sample(at_s, counts):
                    tell("sample", sample={"at_s": at_s, "stream_bytes": counts, "counted_as": kind})
                """)
            + worker
            + "\nleave()\n"
        )
        engine = Iperf3Engine(self.leases, "counter laptop", worker=(str(program),))
        result = await engine.transfer(spec, self.watch, self.stop)
        assert self.leases.released == (0 if self.leases.requests == [] or self._refused else 1)
        return result

    @property
    def _refused(self) -> bool:
        return not self.watch.has_started

    async def failure(self, worker: str, spec: TransferSpec = DOWNLOAD) -> tuple[Failure, TransferResult]:
        """Run one transfer that fails."""
        result = await self.run(worker, spec)
        assert result.failure is not None
        assert result.failure.message
        return result.failure, result


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A bench with a lease on which the server's end says nothing."""
    return Bench(tmp_path)


def received(at_s: float, *counts: int) -> Sample:
    return Sample(at_s, counts, CountedAs.RECEIVED)


async def test_a_download_is_what_our_own_end_received(bench: Bench) -> None:
    """The server's samples are the sender's: retransmits and round-trip time, never the figure of record."""
    acked = Sample(0.5, (9_000_000, 9_000_000), CountedAs.ACKED, rtt_ms=(1.0, 2.0), retransmits=7)
    bench.leases = ScriptedLeases(ScriptedLease([acked, EndLine(congestion_control="bbr", cpu_share=0.5)]))
    result = await bench.run(FULL_TEST)
    assert result.failure is None
    assert result.moved_bytes == 30_000
    assert result.sender == (acked,)
    assert (result.retransmits, result.congestion_control) == (7, "bbr")
    assert (result.client_cpu_share, result.server_cpu_share) == (0.25, 0.5)
    assert (result.local_address, result.remote_address, result.engine_version) == ("192.0.2.1", "192.0.2.7", "3.12")
    assert result.raw == '{"intervals": [], "end": {}}'
    assert [sample.total_bytes for sample in bench.watch.seen][-1] == 30_000


async def test_an_upload_is_what_the_server_received(bench: Bench) -> None:
    """Our own samples are the sender's, and are what the display shows."""
    lines = [received(n / 10, 900 * n, 1800 * n) for n in range(11)]
    bench.leases = ScriptedLeases(ScriptedLease([*lines, EndLine()]))
    result = await bench.run(FULL_TEST, UPLOAD)
    assert result.failure is None
    assert result.receiver == tuple(lines)
    assert result.sender == tuple(bench.watch.seen)
    assert result.congestion_control == "cubic"
    assert result.moved_bytes == 27_000


@dataclass
class IdleWatch(QuietWatch):
    """Keeps the order of what it is asked and told; ``stop`` is set where the phase has its name."""

    order: list[str] = field(default_factory=list)
    stop: asyncio.Event | None = None
    stop_in: str = ""

    def __post_init__(self) -> None:
        super().__init__()

    async def idle_before(self, reflector: Reflector | None) -> None:
        """See Watch."""
        await self._phase(f"before {None if reflector is None else reflector.port}")

    def sample(self, sample: Sample) -> None:
        """See Watch."""
        super().sample(sample)
        self.order += ["load"] if self.order[-1] != "load" else []

    async def idle_after(self) -> None:
        """See Watch."""
        await self._phase("after")

    async def _phase(self, name: str) -> None:
        self.order.append(name)
        if self.stop is not None and self.stop_in == name:
            self.stop.set()
            await asyncio.Event().wait()


async def test_the_idle_path_comes_around_the_load(bench: Bench) -> None:
    watch = bench.watch = IdleWatch()
    bench.leases = ScriptedLeases(ScriptedLease(reflector=Reflector("192.0.2.7", 17300, bytes(16))))
    assert (await bench.run(FULL_TEST)).failure is None
    assert watch.order == ["before 17300", "load", "after"]


async def test_a_load_that_broke_off_is_followed_by_no_idle_path(bench: Bench) -> None:
    watch = bench.watch = IdleWatch()
    failure, _ = await bench.failure(CONNECTED + "sample(0.1, [10, 20])\nos._exit(1)")
    assert failure.kind is FailureKind.WORKER_CRASHED
    assert watch.order == ["before None", "load"]


async def test_a_load_that_never_began_is_followed_by_nothing(bench: Bench) -> None:
    watch = bench.watch = IdleWatch()
    await bench.failure("os._exit(1)")
    assert watch.order == ["before None"]


async def test_a_lease_that_was_lost_leaves_no_path_to_have_to_oneself(bench: Bench) -> None:
    watch = bench.watch = IdleWatch()
    bench.leases = ScriptedLeases(ScriptedLease(ended=Failure(FailureKind.LEASE_DENIED, "the lease ended")))
    await bench.failure(CONNECTED + FOR_EVER)
    assert "after" not in watch.order


async def test_a_stop_before_the_load_starts_no_worker(bench: Bench) -> None:
    watch = bench.watch = IdleWatch(stop=bench.stop, stop_in="before None")
    failure, result = await bench.failure("open(__file__ + '.ran', 'w').close()")
    assert failure.kind is FailureKind.STOPPED
    assert result.moved_bytes == 0
    assert watch.order == ["before None"]
    assert not (bench.folder / "worker.py.ran").exists()


async def test_a_stop_after_the_load_takes_nothing_away(bench: Bench) -> None:
    bench.watch = IdleWatch(stop=bench.stop, stop_in="after")
    bench.leases = ScriptedLeases(ScriptedLease([EndLine(cpu_share=0.5)]))
    result = await bench.run(FULL_TEST)
    assert (result.failure, result.moved_bytes, result.server_cpu_share) == (None, 30_000, 0.5)


@pytest.mark.parametrize("spec", [DOWNLOAD, UPLOAD])
async def test_segments_and_window_are_the_senders(bench: Bench, spec: TransferSpec) -> None:
    """The server's in a download, our worker's in an upload; the server's machine is told either way."""
    host = ServerHost("eth0", 1000, "full", (ServerSecond(1.0, 1.0, 60.0, 30.0, 10, 20),))
    lines = [received(n / 10, 900 * n, 1800 * n) for n in range(11)]
    bench.leases = ScriptedLeases(
        ScriptedLease([*lines, EndLine(host=host, mss_bytes=1448, receive_window_bytes=3_000_000)])
    )
    told = "cpu_share=0.25, mss_bytes=1440, receive_window_bytes=65_000"
    result = await bench.run(FULL_TEST.replace("cpu_share=0.25", told), spec)
    expected = (1448, 3_000_000) if spec is DOWNLOAD else (1440, 65_000)
    assert (result.mss_bytes, result.receive_window_bytes) == expected
    assert result.server_host == host


async def test_the_worker_connects_to_the_address_that_the_lease_was_asked_at(bench: Bench) -> None:
    """The server's host hears the address that asked, and a name may stand for addresses of two families."""
    bench.leases = ScriptedLeases(ScriptedLease(server_address="2001:db8::7"), host="till-room.example")
    result = await bench.run("tell('raw', text=asked['host'])\n" + FULL_TEST)
    assert result.raw is not None
    assert result.raw.startswith("2001:db8::7")


async def test_the_lease_is_asked_for_what_the_transfer_is(bench: Bench) -> None:
    """The server's host is the sender of a download and must know the congestion control."""
    spec = TransferSpec(Direction.DOWNLOAD, 2, 0.0, 1.0, congestion_control="cubic")
    await bench.run(FULL_TEST, spec)
    (request,) = bench.leases.requests
    assert (request.direction, request.streams, request.duration_s) == (Direction.DOWNLOAD, 2, 1.0)
    assert (request.agent, request.congestion_control) == ("counter laptop", "cubic")


async def test_a_refused_lease_is_a_failure_of_its_kind(bench: Bench) -> None:
    """The worker is not even started."""
    bench.leases = ScriptedLeases(refusal=Failure(FailureKind.LEASE_DENIED, "wrong token"))
    failure, _ = await bench.failure("tell('never')")
    assert failure == Failure(FailureKind.LEASE_DENIED, "wrong token")


async def test_without_libiperf_nothing_is_asked_of_the_server(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reason and what to do are told."""

    def missing() -> Library:
        raise LibraryMissing("libiperf was not found on this machine. Install it")

    monkeypatch.setattr(iperf3, "find_library", missing)
    failure, _ = await bench.failure(FULL_TEST)
    assert failure.kind is FailureKind.UNAVAILABLE
    assert "Install it" in failure.message
    assert bench.leases.requests == []
    availability = Iperf3Engine(bench.leases, "x").availability()
    assert (availability.usable, availability.reason) == (False, failure.message)


async def test_too_many_streams_are_refused(bench: Bench) -> None:
    """Some versions of libiperf fail above fifty; thirty-two is allowed."""
    failure, _ = await bench.failure(FULL_TEST, TransferSpec(Direction.DOWNLOAD, 33, 0, 1))
    assert failure.kind is FailureKind.UNAVAILABLE
    assert "33" in failure.message
    assert "32" in failure.message


@pytest.mark.parametrize(
    ("ending", "words"),
    [
        ("os.kill(os.getpid(), signal.SIGSEGV)", "signal 11 (SIGSEGV)"),
        ("os._exit(0)", "exit status 0"),
        ("raise RuntimeError('no such setting')", "no such setting"),
    ],
)
async def test_a_worker_without_a_result_is_a_crash_that_keeps_its_samples(
    bench: Bench, ending: str, words: str
) -> None:
    """Whatever happened to it, it is told."""
    failure, result = await bench.failure(f"sample(0.1, [10, 20])\n{ending}")
    assert failure.kind is FailureKind.WORKER_CRASHED
    assert words in failure.message
    assert result.moved_bytes == 30


async def test_a_hanging_worker_is_a_crash(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """No sign of life within the limit."""
    monkeypatch.setattr(WorkerProcess.next_event, "__kwdefaults__", {"silence_limit_s": 0.3})
    began_s = time.monotonic()
    failure, result = await bench.failure("sample(0.1, [10, 20])\ntime.sleep(60)")
    assert failure.kind is FailureKind.WORKER_CRASHED
    assert "0.3 s" in failure.message
    assert result.moved_bytes == 30
    assert time.monotonic() - began_s < 5


async def test_nonsense_is_a_crash(bench: Bench) -> None:
    """An event without what it must hold does not pass for one."""
    failure, _ = await bench.failure("tell('sample', sample={})\ntime.sleep(60)")
    assert failure.kind is FailureKind.WORKER_CRASHED


async def test_a_transfer_in_which_nothing_moves_is_stalled(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Signs of life and flat samples do not put it off."""
    monkeypatch.setattr(iperf3, "STALL_LIMIT_S", 0.1)
    monkeypatch.setattr(iperf3, "STALL_GRACE_S", 0.1)
    failure, result = await bench.failure(
        "while True:\n    sample(0.1, [10, 20]); time.sleep(0.01)", replace_duration(60)
    )
    assert failure.kind is FailureKind.STALLED
    assert result.moved_bytes == 30


async def test_a_transfer_that_never_ends_meets_its_deadline(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The exchange of results may hang after the last byte."""
    monkeypatch.setattr(iperf3, "DEADLINE_MARGIN_S", 0.2)
    monkeypatch.setattr(iperf3, "CONNECT_TIMEOUT_S", 0.1)
    failure, result = await bench.failure("sample(0.9, [10, 20])\nwhile True:\n    tell('alive'); time.sleep(0.01)")
    assert failure.kind is FailureKind.DEADLINE
    assert result.moved_bytes == 30


async def test_an_error_in_the_record_wins(bench: Bench) -> None:
    """Up to 3.13 libiperf returns 0 and prints a plausible end beside the error."""
    worker = FULL_TEST.replace('"end": {}}', '"end": {"sum_received": {"bytes": 5}}, "error": "oh"}').replace(
        "errno=0", "errno=120"
    )
    failure, _ = await bench.failure(worker)
    assert failure.kind is FailureKind.PEER_DIED


async def test_a_lease_that_ends_under_our_feet_ends_the_transfer(bench: Bench) -> None:
    """The server takes the lease away."""
    taken = Failure(FailureKind.LEASE_DENIED, "the lease ended")
    bench.leases = ScriptedLeases(ScriptedLease(ended=taken))
    failure, _ = await bench.failure(FOR_EVER)
    assert failure == taken


async def test_an_upload_whose_counts_never_came_is_no_result(bench: Bench) -> None:
    """It is said what is missing; bytes sent never stand in."""
    failure, result = await bench.failure(FULL_TEST, UPLOAD)
    assert failure.kind is FailureKind.BAD_OUTPUT
    assert result.throughput_mbps is None
    assert result.moved_bytes == 0


async def test_a_broken_stream_of_samples_is_named(bench: Bench) -> None:
    """For an upload it is the failure; for a download only the sender's side is missing."""
    problem = TransferProblem(Failure(FailureKind.LINK_LOST, "the samples broke off"))
    bench.leases = ScriptedLeases(ScriptedLease([problem]))
    failure, _ = await bench.failure(FULL_TEST, UPLOAD)
    assert failure == problem.failure
    bench.leases = ScriptedLeases(ScriptedLease([problem]))
    result = await bench.run(FULL_TEST)
    assert (result.failure, result.retransmits) == (None, None)


async def test_missing_streams_are_a_failure(bench: Bench) -> None:
    """Fewer connections than asked for measure another case."""
    failure, _ = await bench.failure(FULL_TEST, TransferSpec(Direction.DOWNLOAD, 3, 0, 1))
    assert failure.kind is FailureKind.STREAMS_MISSING
    assert "2 of 3" in failure.message


async def test_a_silent_server_holds_the_end_up_for_a_second_at_most(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its tail is waited for, but not for ever."""
    monkeypatch.setattr(iperf3, "TAIL_LIMIT_S", 0.05)
    bench.leases = ScriptedLeases(ScriptedLease(hold=True))
    async with asyncio.timeout(5):
        result = await bench.run(FULL_TEST)
    assert result.failure is None


async def test_the_seconds_come_from_the_record_where_the_kernel_tells_nothing(bench: Bench) -> None:
    """Upload: the server's record. Download: our own."""
    record = (
        '{"intervals": [{"streams": [{"bytes": 10, "seconds": 1}, {"bytes": 20, "seconds": 1}]},'
        ' {"streams": [{"bytes": 10, "seconds": 1}, {"bytes": 20, "seconds": 1}]}], "end": {}}'
    )
    silent = f"tell('raw', text={record!r})\n" + FULL_TEST.splitlines()[-1]
    expected = (received(0.0, 0, 0), received(1.0, 10, 20), received(2.0, 20, 40))
    assert (await bench.run(silent)).receiver == expected
    bench.leases = ScriptedLeases(ScriptedLease([EndLine(raw=record)]))
    assert (await bench.run(silent, UPLOAD)).receiver == expected


async def test_a_port_that_refuses_is_told_apart(bench: Bench) -> None:
    """libiperf says 103 for every connection that did not come up; our own attempt tells which."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        state = LeaseState("x", "active", iperf3_port=taken.getsockname()[1])
        lease = ScriptedLease(state=state, server_address="127.0.0.1")
        bench.leases = ScriptedLeases(lease, host="127.0.0.1")
        failure, _ = await bench.failure(
            "tell('result', code=-1, errno=103, text='unable to connect to server: ', still_s=None, cpu_share=None)"
        )
    assert (failure.kind, failure.errno) == (FailureKind.REFUSED, 103)


async def test_a_lease_without_a_port_is_named(bench: Bench) -> None:
    """A server that answers something else than it should."""
    bench.leases = ScriptedLeases(ScriptedLease(state=LeaseState("x", "active")))
    failure, _ = await bench.failure(FULL_TEST)
    assert failure.kind is FailureKind.BAD_OUTPUT


async def test_cancellation_ends_everything_and_passes_on(bench: Bench) -> None:
    """The lease is given back; the cancellation reaches whoever awaits."""
    seen = asyncio.Event()
    bench.watch.sample = lambda sample: seen.set()  # type: ignore[method-assign]
    task = asyncio.create_task(bench.run(FOR_EVER, replace_duration(60)))
    async with asyncio.timeout(10):
        await seen.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert bench.leases.released == 1


def test_a_library_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing loads, the reason names the packages to install."""
    monkeypatch.setattr(libiperf, "_candidates", lambda: ["libnosuchthing.so.0"])
    with pytest.raises(LibraryMissing, match="apt install iperf3"):
        find_library()


def replace_duration(duration_s: float) -> TransferSpec:
    return TransferSpec(Direction.DOWNLOAD, 2, 0.0, duration_s)
