"""Round trips through a full queue, against two truths that are not ours: the kernel's own round-trip time of the flow
that fills the queue (TCP_INFO), and the bytes that stand in the kernel's token bucket, times 8, over its rate.

Source of the rate and queue: tbf of the Linux kernel (tc-tbf(8): ``limit`` bytes may wait for tokens), on a veth.
The flows are plain TCP of this test's own, with cubic, which fills a queue; the machine's default may not.
"""

import asyncio
import contextlib
import json
import socket
import struct
import time
from dataclasses import dataclass, field
from statistics import fmean, median

import pytest
from lab_network import FRAME_BYTES, LAPTOP, LabNetwork, NamespaceTask

from sitetest.observe.probe_record import LatencyRecord, Phase, Stamps
from sitetest.observe.prober import LatencyProber
from sitetest.stats.latency import LatencySummary, summarise
from sitetest_server.reflector import Reflector
from sitetest_wire.tcp_info import read_tcp_info

pytestmark = [pytest.mark.lab, pytest.mark.slow]

RATE_MBPS = 20
QUEUE_BYTES = 300_000
QUEUE_MS = QUEUE_BYTES * 8 / RATE_MBPS / 1e3
TOKEN = bytes(range(16))
REFLECTOR_PORT, FLOW_PORT = 17399, 17398  # in namespaces of this test's own
IDLE_S, RAMP_S, LOADED_S, DRAIN_S = 1.5, 3.0, 5.0, 0.6
FLOWS, FRAMES_A_PARCEL = 24, 4


@dataclass
class Seen:
    """Times are time.monotonic(), one clock in all threads of this process."""

    tcp_rtts_ms: list[tuple[float, float]] = field(default_factory=list)
    backlogs: list[tuple[float, int]] = field(default_factory=list)

    def between(self, from_s: float, until_s: float) -> tuple[list[float], list[int]]:
        return (
            [rtt for at_s, rtt in self.tcp_rtts_ms if from_s <= at_s < until_s],
            [waiting for at_s, waiting in self.backlogs if from_s <= at_s < until_s],
        )


async def reflect(address: str) -> None:
    reflector = await Reflector.open(address, REFLECTOR_PORT)
    reflector.admit(TOKEN, until_s=time.monotonic() + 60)
    try:
        await asyncio.Event().wait()
    finally:
        reflector.close()


async def swallow(address: str) -> None:
    """Accept the flow and read whatever comes."""

    async def read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):  # asyncio complains of a cancelled reader
            while await reader.read(65536):
                pass
        writer.close()

    async with await asyncio.start_server(read, address, FLOW_PORT) as server:
        await server.serve_forever()


async def fill(address: str, seen: Seen, duration_s: float) -> None:
    """Send as fast as the kernel takes it, and note what the kernel says of the round trip, ten times a second."""
    loop = asyncio.get_running_loop()
    with socket.socket() as sock:
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"cubic")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # closing drops what waits
        await loop.sock_connect(sock, (address, FLOW_PORT))

        async def send() -> None:
            while True:
                await loop.sock_sendall(sock, bytes(65536))

        sending = asyncio.create_task(send())
        end_s = time.monotonic() + duration_s
        while time.monotonic() < end_s:
            await asyncio.sleep(0.1)
            info = read_tcp_info(sock)
            assert info is not None
            seen.tcp_rtts_ms.append((time.monotonic(), info.rtt_ms))
        sending.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await sending


def shape(lab: LabNetwork, name: str, device: str) -> None:
    """Put a bucket of two frames before a queue of QUEUE_BYTES, and keep what TCP hands over at a time small.

    TCP hands over parcels of up to 64 kB also where segmentation offload is off (Linux since 4.17), with one time of
    sending for all of it. tbf cuts a parcel into frames only when it is larger than the bucket; otherwise it waits as a
    whole until there are tokens for all of it, and the bytes said to be waiting are half a parcel more than what a
    packet behind them waits for (measured: 5.6 ms). And TCP's round-trip time is that of a parcel's last frame
    (measured with whole parcels: 2.2 to 3.1 ms more than a probe's). Small parcels keep few bytes of a flow in the
    queue, so there are many flows.
    """
    bucket = ["rate", f"{RATE_MBPS}mbit", "burst", str(2 * FRAME_BYTES), "limit", str(QUEUE_BYTES)]
    for command in (
        ["ip", "link", "set", "dev", device, "gso_max_segs", str(FRAMES_A_PARCEL)],
        ["tc", "qdisc", "replace", "dev", device, "root", "tbf", *bucket],
    ):
        with lab.popen_in(name, command) as setting:
            _, problem = setting.communicate(timeout=10)
        assert setting.returncode == 0, problem.decode()


def waiting_bytes(lab: LabNetwork, name: str, device: str) -> int:
    with lab.popen_in(name, ["tc", "-s", "-j", "qdisc", "show", "dev", device]) as asked:
        told, _ = asked.communicate(timeout=10)
    return int(json.loads(told)[0]["backlog"])


@dataclass(frozen=True)
class Result:
    record: LatencyRecord
    loaded_from_s: float
    loaded_until_s: float

    def phase(self, phase: Phase) -> LatencySummary:
        if phase is Phase.LOADED:
            return summarise(self.record.rtts_ms(phase, from_s=self.loaded_from_s, until_s=self.loaded_until_s))
        return summarise(self.record.rtts_ms(phase))


@pytest.mark.parametrize("sender", [LAPTOP, "server"], ids=["upload", "download"])
def test_loaded_round_trips_are_those_of_the_kernel_and_of_the_queue(lab: LabNetwork, sender: str) -> None:
    """Loaded: within 3 ms of TCP_INFO's rtt of the loading flow and of queue bytes x 8 / rate. Idle: the same before
    and after, and far below."""
    receiver = "server" if sender == LAPTOP else LAPTOP
    device = "to-server" if sender == LAPTOP else "to-laptop"
    shape(lab, sender, device)
    seen = Seen()
    lab.start_in("server", lambda: reflect(lab.address("server")))
    lab.start_in(receiver, lambda: swallow(lab.address(receiver)))
    flows: list[NamespaceTask[None]] = []

    async def fill_all() -> None:
        await asyncio.gather(*(fill(lab.address(receiver), seen, RAMP_S + LOADED_S) for _ in range(FLOWS)))

    def start_flows() -> None:
        flows.append(lab.start_in(sender, fill_all))

    async def probe() -> Result:
        prober = LatencyProber((lab.address("server"), REFLECTOR_PORT), TOKEN)
        task = asyncio.create_task(prober.run())
        await asyncio.sleep(IDLE_S)
        prober.enter(Phase.LOADED)
        start_flows()
        await asyncio.sleep(RAMP_S)
        from_s = time.monotonic()
        await asyncio.sleep(LOADED_S - 0.5)
        until_s = time.monotonic()
        while not flows[0].done():  # noqa: ASYNC110  # a thread's future, not of this loop
            await asyncio.sleep(0.05)
        await asyncio.sleep(DRAIN_S)
        prober.enter(Phase.IDLE_AFTER)
        await asyncio.sleep(IDLE_S)
        record = await prober.finish()
        await task
        return Result(record, from_s, until_s)

    probing = lab.start_in(LAPTOP, probe)
    while not probing.done():
        seen.backlogs.append((time.monotonic(), waiting_bytes(lab, sender, device)))
        time.sleep(0.1)
    result = probing.result()
    flows[0].result()

    before, loaded, after = (result.phase(phase) for phase in Phase)
    tcp_ms, waiting = seen.between(result.loaded_from_s, result.loaded_until_s)
    assert len(tcp_ms) > 20
    assert len(waiting) > 10
    queue_ms = [backlog * 8 / RATE_MBPS / 1e3 for backlog in waiting]
    loaded_ms = [rtt for rtt in result.record.rtts_ms(Phase.LOADED, from_s=result.loaded_from_s,
                                                      until_s=result.loaded_until_s) if rtt is not None]  # fmt: skip
    told = (
        f"{sender}: idle {before.p50_ms} {after.p50_ms}, loaded {loaded}, mean {fmean(loaded_ms):.2f}; "
        f"TCP_INFO p50 {median(tcp_ms):.2f} mean {fmean(tcp_ms):.2f}; "
        f"queue p50 {median(queue_ms):.2f} mean {fmean(queue_ms):.2f} most {max(queue_ms):.2f}"
    )
    print(told)  # noqa: T201  # shown when the test fails
    assert result.record.why is None
    assert {probe.stamps for probe in result.record.probes if probe.rtt_ms is not None} == {Stamps.KERNEL_BOTH}
    assert fmean(loaded_ms) == pytest.approx(fmean(tcp_ms), abs=3), told
    assert fmean(loaded_ms) == pytest.approx(fmean(queue_ms), abs=3), told
    assert max(queue_ms) == pytest.approx(QUEUE_MS, rel=0.1), "the queue was never full"
    assert before.p50_ms is not None
    assert after.p50_ms is not None
    assert before.p50_ms < 2
    assert after.p50_ms == pytest.approx(before.p50_ms, abs=1), told
