"""The http engine against a server that misbehaves on demand.

The well-behaved one is met in tests/contract and tests/lab.
"""

import asyncio
import json
import time
from itertools import pairwise

import pytest
from aiohttp import web
from fake_test_server import BLOCK, LEASE_ID, FakeTestServer, fake_test_server, problem_handler
from http_transfers import AGENT, KeepingWatch, http_transfer

from sitetest.engines import server_api, transfer_bounds
from sitetest.engines.base import FailureKind, Reflector, TransferSpec
from sitetest.engines.http import CpuClock, HttpEngine
from sitetest.engines.payload_connections import congestion_control_of
from sitetest.engines.server_api import ServerApi
from sitetest_wire.messages import LeaseState
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction

LONG_S = 60.0


def spec(direction: Direction = Direction.DOWNLOAD, streams: int = 1, duration_s: float = LONG_S) -> TransferSpec:
    return TransferSpec(direction, streams=streams, warm_up_s=0.0, duration_s=duration_s)


both_directions = pytest.mark.parametrize("direction", list(Direction))


@both_directions
async def test_every_stream_is_a_connection_of_its_own(direction: Direction) -> None:
    """Two streams on one connection would share one congestion window, and be measured as two."""
    async with fake_test_server(FakeTestServer(streams=4)) as fake:
        result = await http_transfer(fake.url, "t", spec(direction, streams=4, duration_s=0.2))
    assert result.failure is None
    assert len(fake.peers) == 4
    assert result.local_address == "127.0.0.1"
    assert result.remote_address == "127.0.0.1"
    assert result.raw is not None
    streams = json.loads(result.raw)["streams"]
    assert [stream["number"] for stream in streams] == [1, 2, 3, 4]
    assert all(stream["connected_s"] is not None and stream["stream_bytes"] > 0 for stream in streams)


@both_directions
async def test_the_idle_path_comes_before_any_payload_and_before_its_clocks_start(direction: Direction) -> None:
    """The processor's share and the samples count the load alone."""
    order: list[str] = []
    fake = FakeTestServer()

    async def before(reflector: Reflector | None) -> None:
        await asyncio.sleep(0.3)
        order.append(f"idle, {sum('transfer' in line for line in fake.requests)} payload requests")

    def wall_s() -> float:
        order.append("clock")
        return time.monotonic()

    async with fake_test_server(fake), ServerApi(fake.url, "t") as api:
        engine = HttpEngine(api, AGENT, CpuClock(wall_s=wall_s))
        watch = KeepingWatch(before=before)
        result = await engine.transfer(spec(direction, duration_s=0.2), watch, asyncio.Event())
    assert result.failure is None
    assert order[:2] == ["idle, 0 payload requests", "clock"]
    assert watch.samples[0].at_s < 0.3, "the transfer's own clock had begun before the idle path"
    assert watch.reflector is None, "this server has none"
    assert watch.idle == ["before", "after"]


async def test_a_load_that_never_began_is_followed_by_nothing() -> None:
    watch = KeepingWatch()
    fake = FakeTestServer(hooks={"download/0": problem_handler(409, "bad_request", "not that one")})
    async with fake_test_server(fake):
        result = await http_transfer(fake.url, "t", spec(), watch=watch)
    assert result.failure is not None
    assert watch.idle == ["before"]


async def test_a_lease_that_was_taken_back_leaves_no_path_to_have_to_oneself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_api, "LEASE_POLL_S", 0.05)
    taken = LeaseState(LEASE_ID, "ended", reason="taken back")
    watch = KeepingWatch()
    async with fake_test_server(FakeTestServer(states=[LeaseState(LEASE_ID, "active"), taken])) as fake:
        result = await http_transfer(fake.url, "t", spec(), watch=watch)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.LEASE_DENIED
    assert watch.idle == ["before"]


async def test_payload_asks_for_no_compression_and_carries_the_token() -> None:
    async with fake_test_server() as fake:
        await http_transfer(fake.url, "the-token", spec(duration_s=0.1))
    (headers,) = [headers for headers, line in zip(fake.headers, fake.requests, strict=True) if "download" in line]
    assert headers["Accept-Encoding"] == "identity"
    assert headers["Authorization"] == "Bearer the-token"


@both_directions
async def test_a_stream_that_is_refused_beside_others_is_missing(direction: Direction) -> None:
    fake = FakeTestServer(streams=3, hooks={f"{direction}/1": problem_handler(409, "bad_request", "not that one")})
    async with fake_test_server(fake):
        result = await http_transfer(fake.url, "t", spec(direction, streams=3))
    assert result.failure is not None
    # A refused upload may show as a broken stream: its first bytes were on their way when the refusal came.
    assert result.failure.kind in (FailureKind.STREAMS_MISSING, FailureKind.LEASE_DENIED)
    assert "stream 2 of 3" in result.failure.message
    assert "not that one" in result.failure.message


async def test_a_body_that_ends_too_early_is_the_servers_failure() -> None:
    async def short(request: web.Request) -> web.StreamResponse:
        return web.Response(body=BLOCK)

    async with fake_test_server(FakeTestServer(hooks={"download/0": short})) as fake:
        result = await http_transfer(fake.url, "t", spec())
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED
    assert f"{len(BLOCK)} bytes" in result.failure.message
    assert result.moved_bytes == len(BLOCK)


async def test_an_upload_whose_server_stops_listening_is_the_servers_failure() -> None:
    async def short(request: web.Request) -> web.StreamResponse:
        await request.content.read(10)
        return web.json_response({"received_bytes": 10})

    async with fake_test_server(FakeTestServer(hooks={"upload/0": short})) as fake:
        result = await http_transfer(fake.url, "t", spec(Direction.UPLOAD))
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED


async def test_an_upload_without_the_servers_counts_is_no_measurement() -> None:
    """Our own count of what we sent must never stand in for it."""
    fake = FakeTestServer(hooks={"samples": problem_handler(500, "internal", "no samples today")})
    async with fake_test_server(fake):
        result = await http_transfer(fake.url, "t", spec(Direction.UPLOAD))
    assert result.failure is not None
    assert "no samples today" in result.failure.message
    assert result.receiver == ()
    assert result.throughput_mbps is None


async def test_a_download_does_without_the_servers_samples() -> None:
    """They only add round-trip times: what arrived is counted here."""
    fake = FakeTestServer(hooks={"samples": problem_handler(500, "internal", "no samples today")})
    async with fake_test_server(fake):
        result = await http_transfer(fake.url, "t", spec(duration_s=0.2))
    assert result.failure is None
    assert result.throughput_mbps is not None
    assert result.sender == ()


@both_directions
async def test_a_transfer_in_which_nothing_moves_any_more_is_ended_as_stalled(
    monkeypatch: pytest.MonkeyPatch, direction: Direction
) -> None:
    """A timeout for reading alone does not cover an upload: the watchdog looks at the bytes."""
    monkeypatch.setattr(transfer_bounds, "STALL_LIMIT_S", 0.4)

    async def goes_silent(request: web.Request) -> web.StreamResponse:
        response = web.StreamResponse()
        if direction is Direction.DOWNLOAD:
            await response.prepare(request)
            await response.write(BLOCK)
        await asyncio.Event().wait()
        return response

    async with fake_test_server(FakeTestServer(hooks={f"{direction}/0": goes_silent})) as fake:
        result = await http_transfer(fake.url, "t", spec(direction))
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STALLED
    assert result.receiver or direction is Direction.UPLOAD


@both_directions
async def test_the_permitted_volume_is_never_passed_by_more_than_what_is_on_its_way(direction: Direction) -> None:
    cap = 3_000_000
    wanted = TransferSpec(direction, streams=2, warm_up_s=0.0, duration_s=LONG_S, max_bytes=cap)
    async with fake_test_server(FakeTestServer(streams=2)) as fake:
        result = await http_transfer(fake.url, "t", wanted)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.DATA_CAP
    assert str(cap) in result.failure.message
    if direction is Direction.UPLOAD:
        assert sum(fake.received.values()) == cap
        assert result.moved_bytes == cap
    else:
        assert cap <= result.moved_bytes <= cap + 2 * 2**20


async def test_a_lease_that_ends_under_the_transfer_ends_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_api, "LEASE_POLL_S", 0.05)
    states = [LeaseState(LEASE_ID, "active"), LeaseState(LEASE_ID, "ended", reason="somebody ended it")]
    async with fake_test_server(FakeTestServer(states=states)) as fake:
        result = await http_transfer(fake.url, "t", spec())
    assert result.failure is not None
    assert result.failure.kind is FailureKind.LEASE_DENIED
    assert "somebody ended it" in result.failure.message
    assert result.receiver, "what was received until then is kept"


async def test_a_shared_server_is_noted() -> None:
    states = [LeaseState(LEASE_ID, "active"), LeaseState(LEASE_ID, "active", shared=True)]
    async with fake_test_server(FakeTestServer(states=states)) as fake:
        result = await http_transfer(fake.url, "t", spec(duration_s=0.1))
    assert result.failure is None
    assert result.shared


@both_directions
async def test_a_cancelled_transfer_ends_what_it_started_within_a_second(direction: Direction) -> None:
    moving = asyncio.Event()
    watch = KeepingWatch(on_sample=lambda sample: moving.set() if sample.total_bytes else None)
    async with fake_test_server() as fake:
        before = asyncio.all_tasks()
        task = asyncio.create_task(http_transfer(fake.url, "t", spec(direction), watch=watch))
        await moving.wait()
        began_s = time.monotonic()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert time.monotonic() - began_s < 1.0
        assert fake.released.is_set()
        ours = {left.get_name() for left in asyncio.all_tasks() - before}
        assert not {name for name in ours if name.startswith(("download", "upload", "lease", "server samples"))}


@both_directions
async def test_samples_are_stamped_when_they_are_taken_also_in_a_busy_loop(direction: Direction) -> None:
    """A loop that is held up makes samples late, and a late sample says so: the rate over the gap stays true."""
    held_up: list[float] = []

    def hold_up(sample: Sample) -> None:
        if sample.at_s > 0.3 and not held_up:
            held_up.append(sample.at_s)
            time.sleep(0.35)  # the loop does nothing else meanwhile

    watch = KeepingWatch(on_sample=hold_up)
    async with fake_test_server() as fake:
        result = await http_transfer(fake.url, "t", spec(direction, duration_s=1.0), watch=watch)
    assert result.failure is None
    times_s = [sample.at_s for sample in watch.samples]
    gap_s = next(now - before for before, now in pairwise(times_s) if before >= held_up[0])
    assert gap_s >= 0.34


async def test_a_congestion_control_that_the_laptop_lacks_is_said_before_anything_moves() -> None:
    wanted = TransferSpec(Direction.UPLOAD, 1, 0.0, 1.0, congestion_control="no-such-thing")
    async with fake_test_server() as fake:
        result = await http_transfer(fake.url, "t", wanted)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.UNAVAILABLE
    assert "no-such-thing" in result.failure.message
    assert fake.requests == []


async def test_the_senders_congestion_control_is_asked_of_the_sender() -> None:
    """Of our sockets for an upload (reno is in every Linux kernel), of the server for a download."""
    for direction in Direction:
        bodies: list[dict[str, object]] = []

        async def lease(request: web.Request, bodies: list[dict[str, object]] = bodies) -> web.StreamResponse:
            bodies.append(await request.json())
            return web.json_response(LeaseState(LEASE_ID, "active").to_json(), status=201)

        wanted = TransferSpec(direction, 1, 0.0, 0.3, congestion_control="reno")
        async with fake_test_server(FakeTestServer(hooks={"leases": lease})) as fake:
            result = await http_transfer(fake.url, "t", wanted)
        assert result.failure is None
        assert bodies[0]["congestion_control"] == ("reno" if direction is Direction.DOWNLOAD else None)
        assert result.congestion_control == ("reno" if direction is Direction.UPLOAD else None)


def test_a_closed_socket_has_no_congestion_control() -> None:
    assert congestion_control_of(None) is None


def test_proxy_settings_are_noted_and_the_engine_stays_usable(monkeypatch: pytest.MonkeyPatch) -> None:
    engine = HttpEngine(ServerApi("counter-server"), AGENT)
    assert not any("proxy" in note for note in engine.availability().notes)
    monkeypatch.setenv("https_proxy", "http://127.0.0.1:1")
    assert engine.availability().usable
    assert any("https_proxy" in note and "not used" in note for note in engine.availability().notes)
