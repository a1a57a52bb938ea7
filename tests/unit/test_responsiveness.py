"""Foreign probes on a real loopback connection, their pace, and the figure made of them."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.observe.responsiveness import (
    PROBE_BYTES,
    USUAL_PER_S,
    ForeignProber,
    ForeignTimes,
    probe_once,
    probes_per_s,
)
from sitetest.stats.latency import Confidence, ForeignTimed, LoadedTimed, responsiveness

ANSWER = b"HTTP/1.1 200 OK\r\nContent-Length: 1\r\nConnection: close\r\n\r\nx"


@given(st.floats(0, 1e5))
def test_probes_stay_within_the_drafts_caps(capacity_mbps: float) -> None:
    """draft-ietf-ippm-responsiveness-09: at most MPS = 100 a second, and PTC = 5 % of the capacity."""
    pace = probes_per_s(capacity_mbps)
    assert pace <= 100
    assert pace * PROBE_BYTES * 8 <= 0.05 * capacity_mbps * 1e6 + 1e-6


def test_pace_on_a_fast_and_a_slow_link() -> None:
    assert probes_per_s(1000) == USUAL_PER_S
    assert probes_per_s(2.0) == pytest.approx(2.5)
    assert probes_per_s(0.1) == 0
    assert probes_per_s(None) == 1


async def served(answer: bytes) -> tuple[asyncio.Server, int, list[bytes]]:
    requests: list[bytes] = []

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        requests.append(await reader.readuntil(b"\r\n\r\n"))
        writer.write(answer)
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(handle, "127.0.0.1", 0)
    return server, server.sockets[0].getsockname()[1], requests


def steps(*times_s: float) -> Callable[[], float]:
    left = list(times_s)
    return lambda: left.pop(0)


async def test_one_probe_times_the_handshake_and_the_request_apart() -> None:
    server, port, requests = await served(ANSWER)
    async with server:
        times = await probe_once("127.0.0.1", port, "/v1/identity", clock=steps(1.0, 1.02, 1.05))
    assert times.tcp_ms == pytest.approx(20)
    assert times.tls_ms is None
    assert times.http_ms == pytest.approx(30)
    assert requests[0].startswith(b"GET /v1/identity HTTP/1.1\r\nHost: 127.0.0.1\r\n")


@pytest.mark.parametrize(
    ("answer", "problem"),
    [
        (b"", EOFError),
        (b"HTTP/1.1 503 Busy\r\n\r\n", ValueError),
        (b"SSH-2.0\r\n", ValueError),
        (ANSWER + bytes(5000), ValueError),
    ],
)
async def test_what_is_no_answer_is_a_failed_probe(answer: bytes, problem: type[Exception]) -> None:
    server, port, _ = await served(answer)
    async with server:
        with pytest.raises(problem):
            await probe_once("127.0.0.1", port, "/")


class Time:
    def __init__(self) -> None:
        self.now_s = 50.0
        self.slept: list[float] = []

    async def sleep(self, duration_s: float) -> None:
        self.slept.append(duration_s)
        self.now_s += duration_s
        await asyncio.sleep(0)


async def found(probe: Callable[[], Awaitable[ForeignTimes]], capacity_mbps: float | None, waits: int) -> ForeignProber:
    time = Time()
    prober = ForeignProber(probe, capacity_mbps=lambda: capacity_mbps, clock=lambda: time.now_s, sleep=time.sleep)
    task = asyncio.create_task(prober.run())
    while len(time.slept) < waits:  # noqa: ASYNC110  # the fake clock's own turns
        await asyncio.sleep(0)
    prober.stop()
    await task
    return prober


async def test_probes_follow_each_other_at_the_pace() -> None:
    async def probe() -> ForeignTimes:
        return ForeignTimes(1.0, None, 2.0)

    probes = (await found(probe, 1000, 3)).probes()
    assert [p.sent_at_s for p in probes[:3]] == pytest.approx([50.0, 50.2, 50.4])
    assert probes[0].times == ForeignTimes(1.0, None, 2.0)


async def test_no_probe_is_sent_on_a_link_too_slow_for_them() -> None:
    async def probe() -> ForeignTimes:
        raise AssertionError("sent")

    assert (await found(probe, 0.05, 3)).probes() == ()


@pytest.mark.parametrize("problem", [ConnectionRefusedError(), TimeoutError(), EOFError(), ValueError()])
async def test_a_failed_probe_is_kept_with_its_reason_and_probing_goes_on(problem: Exception) -> None:
    async def probe() -> ForeignTimes:
        raise problem

    probes = (await found(probe, 1000, 2)).probes()
    assert len(probes) >= 2
    assert all(p.times is None and p.why for p in probes)


def load(until_s: float, rtt_ms: Callable[[float], float]) -> tuple[list[ForeignTimed], list[LoadedTimed]]:
    at = [n / 2 for n in range(int(until_s * 2))]
    return [ForeignTimed(t, 20, None, 40) for t in at], [LoadedTimed(t, rtt_ms(t)) for t in at]


@pytest.mark.parametrize(("end_s", "confidence"), [(10, Confidence.LOW), (19, Confidence.LOW), (20, Confidence.HIGH)])
def test_confidence_grows_with_the_intervals(end_s: float, confidence: Confidence) -> None:
    """Plain TCP: 20 and 40 ms foreign, 60 ms loaded: 1500 round trips a minute (calculated by the draft's formula).
    Below MAD = 4 intervals of ID = 5 s the confidence is low."""
    result = responsiveness(*load(end_s, lambda _: 60), start_s=0, end_s=end_s)
    assert result.rpm == pytest.approx(1500)
    assert result.confidence is confidence
    assert result.draft == "draft-ietf-ippm-responsiveness-09"


def test_values_that_move_give_medium_confidence() -> None:
    result = responsiveness(*load(40, lambda t: 10 + 4 * t), start_s=0, end_s=40)
    assert result.confidence is Confidence.MEDIUM


def test_only_the_last_intervals_count() -> None:
    result = responsiveness(*load(40, lambda t: 1000 if t < 20 else 60), start_s=0, end_s=40)
    assert result.rpm == pytest.approx(1500)
    assert (result.foreign, result.loaded) == (40, 40)


def test_without_loaded_round_trips_there_is_no_figure() -> None:
    foreign, _ = load(20, lambda _: 60)
    result = responsiveness(foreign, [], start_s=0, end_s=20)
    assert (result.rpm, result.confidence) == (None, None)
