"""The server's API as an agent meets it, and as somebody who is no friend of ours does. Real sockets on loopback."""

import asyncio
import gzip
import json
import socket
from contextlib import suppress
from dataclasses import replace
from typing import Any

import aiohttp
import pytest
from server_app import HEADERS, FakeHost, ServerApp, lease_request, server_app

from sitetest_server import limits
from sitetest_server.lease_desk import ADVANCE_PERIOD_S
from sitetest_server.leases import LEASE_MARGIN_S, MAX_WAITING
from sitetest_wire.messages import (
    LEASE_SILENCE_S,
    PROTOCOL_VERSION,
    EndLine,
    Identity,
    LeaseState,
    Limits,
    sample_line_from_json,
)
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, EngineName

ROUTES = [
    ("GET", "/v1/leases"),
    ("POST", "/v1/leases"),
    ("GET", "/v1/leases/lease1"),
    ("DELETE", "/v1/leases/lease1"),
    ("GET", "/v1/leases/lease1/samples"),
    ("GET", "/v1/transfer/lease1/download/0"),
    ("POST", "/v1/transfer/lease1/upload/0"),
    ("GET", "/v1/nothing-here"),
    ("PUT", "/"),
]


async def samples_of(app: ServerApp, lease_id: str) -> tuple[list[Sample], EndLine]:
    """Read a sample stream to its end line."""
    samples: list[Sample] = []
    async with app.client.get(f"/v1/leases/{lease_id}/samples") as answer:
        assert answer.status == 200
        async for line in answer.content:
            entry = sample_line_from_json(json.loads(line))
            if isinstance(entry, EndLine):
                return samples, entry
            samples.append(entry)
    raise AssertionError("the samples ended without an end line")


async def state_of(app: ServerApp, lease_id: str) -> LeaseState:
    async with app.client.get(f"/v1/leases/{lease_id}") as answer:
        assert answer.status == 200
        return LeaseState.from_json(await answer.json())


async def some_payload(app: ServerApp, path: str, at_least: int) -> bytes:
    """Download until there is enough, then close the connection."""
    got = bytearray()
    async with app.client.get(path) as answer:
        assert answer.status == 200
        async for block in answer.content.iter_any():
            got += block
            if len(got) >= at_least:
                answer.close()
                break
    return bytes(got)


# --- who may ask, and for what ------------------------------------------------------------------------------------


async def test_identity_is_told_to_everybody_and_reads_as_the_agent_reads_it() -> None:
    async with (
        server_app() as app,
        aiohttp.ClientSession() as stranger,
        stranger.get(f"http://127.0.0.1:{app.port}/v1/identity") as answer,
    ):
        identity = Identity.from_json(await answer.json())
    assert identity.protocol == PROTOCOL_VERSION
    assert identity.server_id == "0123456789abcdef"
    assert identity.engines[EngineName.HTTP].version == aiohttp.__version__
    assert identity.simulated is None


@pytest.mark.parametrize("header", [None, "Bearer wrong", "Bearer", "Basic YTpi", "a-token-for-tests", "Bearer \udcff"])
@pytest.mark.parametrize(("method", "path"), ROUTES)
async def test_without_the_right_token_every_other_route_says_401(method: str, path: str, header: str | None) -> None:
    async with server_app() as app:
        reader, writer = await asyncio.open_connection("127.0.0.1", app.port)
        lines = f"{method} {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n"
        lines += "" if header is None else f"Authorization: {header}\r\n"
        writer.write((lines + "\r\n").encode("utf-8", "surrogateescape"))
        answer = await reader.read()
        writer.close()
        await writer.wait_closed()
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 401 ")
    assert json.loads(body)["error"]["code"] == "token"
    assert b"a-token-for-tests" not in answer


async def test_an_unknown_route_and_a_wrong_method_are_told_in_json() -> None:
    async with server_app() as app:
        for path in ("/", "/v2/identity", "/v1/leases/", "/v1/leases/a/b/c", "/v1/transfer/lease1/download"):
            assert await app.problem_code("GET", path) == (404, "unknown_route")
        assert await app.problem_code("PUT", "/v1/leases") == (405, "unknown_route")
        async with app.client.patch("/v1/leases") as answer:
            assert answer.headers["Allow"] == "GET, POST"


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"\xff\xfe\x00",
        b"[" * 8000,
        b'{"agent": ' + b"9" * 6000 + b"}",
        b"[]",
        b'"text"',
        b"null",
        json.dumps(lease_request(duration_s=10**400)).encode(),
        json.dumps(lease_request(duration_s=float("inf"))).encode(),
        json.dumps(lease_request(warm_up_s=float("nan"))).encode(),
        json.dumps(lease_request(warm_up_s=-1)).encode(),
        json.dumps(lease_request(streams=0)).encode(),
        json.dumps(lease_request(streams=2.5)).encode(),
        json.dumps(lease_request(streams=True)).encode(),
        json.dumps(lease_request(engine="ftp")).encode(),
        json.dumps(lease_request(direction=["download"])).encode(),
        json.dumps(lease_request(agent="")).encode(),
        json.dumps(lease_request(durations_s=5)).encode(),
    ],
    ids=lambda body: body[:24].decode("latin-1"),
)
async def test_a_body_that_is_no_lease_request_is_a_bad_request(body: bytes) -> None:
    async with server_app() as app:
        assert await app.problem_code("POST", "/v1/leases", data=body) == (400, "bad_request")
        assert app.desk.states() == ()


async def test_a_body_that_claims_to_be_compressed_is_not_unpacked() -> None:
    """A kilobyte of gzip can hold a gigabyte."""
    bomb = gzip.compress(json.dumps(lease_request()).encode())
    async with server_app() as app:
        options: dict[str, Any] = {"data": bomb, "headers": {"Content-Encoding": "gzip"}}
        assert await app.problem_code("POST", "/v1/leases", **options) == (400, "bad_request")


@pytest.mark.parametrize("chunked", [False, True])
async def test_an_oversized_body_is_refused_before_it_is_read_whole(chunked: bool) -> None:
    async def blocks() -> Any:
        for _ in range(64):
            yield b" " * 1024

    async with server_app() as app:
        data = blocks() if chunked else b" " * (limits.MAX_BODY_BYTES + 1)
        assert await app.problem_code("POST", "/v1/leases", data=data) == (413, "too_large")


@pytest.mark.parametrize(
    ("change", "bound"),
    [
        ({"streams": 33}, "32"),
        ({"streams": 10**30}, "32"),
        ({"duration_s": 3601}, "3600"),
        ({"duration_s": 1e300}, "3600"),
        ({"warm_up_s": 3599, "duration_s": 2}, "3600"),
        ({"agent": "x" * 81}, "80"),
        ({"agent": "two\nlines"}, "printable"),
        ({"agent": "\x1b[2J"}, "printable"),
        ({"congestion_control": "vegas"}, "cubic, reno"),
        ({"congestion_control": "x" * 300}, "cubic, reno"),
    ],
)
async def test_a_request_above_a_limit_is_refused_with_the_bound_in_the_text(
    change: dict[str, Any], bound: str
) -> None:
    async with server_app() as app, app.client.post("/v1/leases", json=lease_request(**change)) as answer:
        problem = (await answer.json())["error"]
        assert (answer.status, problem["code"]) == (422, "limit")
        assert bound in problem["message"]
        assert len(problem["message"]) < 300


async def test_the_servers_congestion_control_does_not_matter_where_the_agent_is_the_sender() -> None:
    async with server_app() as app:
        assert await app.lease(direction="upload", congestion_control="vegas") == "lease1"


async def test_an_engine_that_is_not_served_is_told_with_the_reason() -> None:
    async with server_app(host=FakeHost(usable=False)) as app:
        async with app.client.post("/v1/leases", json=lease_request(engine="iperf3")) as answer:
            body = await answer.json()
        assert (answer.status, body["error"]["code"]) == (501, "engine")
        assert "it is not installed" in body["error"]["message"]


async def test_a_fault_of_ours_is_told_without_our_insides(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with server_app() as app:
        monkeypatch.setattr(app.desk, "states", lambda: 1 / 0)
        async with app.client.get("/v1/leases") as answer:
            text = await answer.text()
    assert answer.status == 500
    assert json.loads(text)["error"]["code"] == "internal"
    assert "ZeroDivision" not in text
    assert "Traceback" not in text
    assert "ZeroDivisionError" in caplog.text


async def test_an_unknown_expectation_is_refused_and_the_known_one_is_met() -> None:
    async with server_app() as app:
        options: dict[str, Any] = {"json": lease_request(), "headers": {"Expect": "a miracle"}}
        assert await app.problem_code("POST", "/v1/leases", **options) == (417, "bad_request")
        async with app.client.post("/v1/leases", json=lease_request(), expect100=True) as answer:
            assert answer.status == 201


# --- leases -------------------------------------------------------------------------------------------------------


async def test_two_agents_at_once_one_measures_and_the_other_is_told_its_place_and_gets_its_turn() -> None:
    async with server_app() as app:
        async with app.client.post("/v1/leases", json=lease_request(agent="counter-laptop")) as answer:
            assert answer.status == 201
            first = LeaseState.from_json(await answer.json())
        async with app.client.post("/v1/leases", json=lease_request(agent="basement-laptop")) as answer:
            assert answer.status == 202
            second = LeaseState.from_json(await answer.json())
        assert first.phase == "active"
        assert (second.phase, second.place, second.held_by) == ("waiting", 1, "counter-laptop")
        assert second.wait_s == pytest.approx(5 + LEASE_MARGIN_S, abs=2)
        async with app.client.get("/v1/leases") as answer:
            listed = await answer.json()
        assert [(entry["phase"], entry["held_by"]) for entry in listed] == [
            ("active", "counter-laptop"),
            ("waiting", "counter-laptop"),
        ]
        assert first.lease_id not in json.dumps(listed)
        waiting = f"/v1/transfer/{second.lease_id}/download/0"
        assert await app.problem_code("GET", waiting) == (409, "no_lease")
        assert await app.problem_code("GET", f"/v1/leases/{second.lease_id}/samples") == (409, "no_lease")
        async with app.client.delete(f"/v1/leases/{first.lease_id}") as answer:
            assert answer.status == 204
        assert (await state_of(app, second.lease_id)).phase == "active"


async def test_a_full_queue_is_busy() -> None:
    async with server_app() as app:
        for _ in range(1 + MAX_WAITING):
            await app.lease()
        assert await app.problem_code("POST", "/v1/leases", json=lease_request()) == (503, "busy")


async def test_a_holder_that_vanishes_in_mid_transfer_loses_lease_and_connections() -> None:
    async with server_app() as app:
        lease_id = await app.lease()
        next_id = await app.lease()
        async with app.client.get(f"/v1/transfer/{lease_id}/download/0") as answer:
            await answer.content.readany()
            app.clock.pushed_s += LEASE_SILENCE_S / 2
            await state_of(app, next_id)
            app.clock.pushed_s += LEASE_SILENCE_S / 2
            with pytest.raises(aiohttp.ClientError):
                async for _ in answer.content.iter_any():
                    pass
        assert (await state_of(app, next_id)).phase == "active"
        ended = await state_of(app, lease_id)
        assert ended.phase == "ended"
        assert "asked nothing" in (ended.reason or "")
        _, end = await samples_of(app, lease_id)
        assert "asked nothing" in (end.problem or "")


async def test_a_lease_that_nobody_knows_is_no_lease_on_every_route() -> None:
    async with server_app() as app:
        for method, path in ROUTES[2:7]:
            assert await app.problem_code(method, path) == (404, "no_lease")


async def test_an_iperf3_lease_tells_its_port_once_the_host_listens_and_passes_its_samples_on() -> None:
    host = FakeHost()
    async with server_app(host=host) as app:
        lease_id = await app.lease(engine="iperf3")
        assert (await state_of(app, lease_id)).iperf3_port == 17999
        sample = Sample(0.1, (7,), CountedAs.ACKED, (1.5,), 2)
        host.on_sample[0](sample)
        host.runs[0].end.set_result(EndLine(congestion_control="cubic", cpu_share=0.5, raw="{}"))
        samples, end = await samples_of(app, lease_id)
        assert samples == [sample]
        assert replace(end, host=None) == EndLine("cubic", 0.5, None, "{}")
        assert await app.problem_code("GET", f"/v1/transfer/{lease_id}/download/0") == (409, "engine")
        await app.client.delete(f"/v1/leases/{lease_id}")
    assert host.runs[0].killed


async def test_an_iperf3_host_that_cannot_start_gives_no_lease_and_blocks_nobody() -> None:
    async with server_app(host=FakeHost(failure="no port is free")) as app:
        assert await app.problem_code("POST", "/v1/leases", json=lease_request(engine="iperf3")) == (503, "engine")
        assert app.desk.states() == ()


async def test_an_iperf3_host_that_cannot_start_when_its_turn_comes_ends_that_lease_with_the_reason() -> None:
    async with server_app(host=FakeHost(failure="no port is free")) as app:
        first = await app.lease()
        second = await app.lease(engine="iperf3")
        await app.client.delete(f"/v1/leases/{first}")
        state = await state_of(app, second)
        assert (state.phase, state.reason) == ("ended", "no port is free")


async def test_stopping_the_server_kills_hosts_and_ends_leases() -> None:
    host = FakeHost()
    async with server_app(host=host) as app:
        await app.lease(engine="iperf3")
        assert not host.runs[0].killed
    assert host.runs[0].killed


# --- payload ------------------------------------------------------------------------------------------------------


async def test_a_download_is_counted_as_acked_with_what_the_senders_kernel_knows() -> None:
    async with server_app() as app:
        lease_id = await app.lease(streams=2, congestion_control="reno")
        async with (
            app.client.get(f"/v1/transfer/{lease_id}/download/0") as first,
            app.client.get(f"/v1/transfer/{lease_id}/download/1") as second,
        ):
            for answer, wanted in ((first, 3_000_000), (second, 1_000_000)):
                await answer.content.readexactly(wanted)
            # What a client has read, its kernel has acknowledged: the server's count must come to say so by itself.
            async with asyncio.timeout(5):
                await sample_with(app, lease_id, (3_000_000, 1_000_000))
            first.close()
            second.close()
        samples, end = await samples_of(app, lease_id)
    assert end.problem is None
    assert end.congestion_control == "reno"
    assert end.cpu_share is not None
    last = samples[-1]
    assert last.counted_as is CountedAs.ACKED
    assert last.retransmits is not None
    assert last.rtt_ms is not None
    assert all(0 < rtt < 1000 for rtt in last.rtt_ms)
    assert [sample.at_s for sample in samples] == sorted(sample.at_s for sample in samples)


async def test_the_payload_cannot_be_compressed_and_asks_not_to_be_kept() -> None:
    async with server_app() as app:
        lease_id = await app.lease()
        async with app.client.get(f"/v1/transfer/{lease_id}/download/0") as answer:
            assert answer.headers["Cache-Control"] == "no-store, no-transform"
            assert "Content-Encoding" not in answer.headers
            assert answer.headers["Transfer-Encoding"] == "chunked"
            payload = await answer.content.readexactly(100_000)
            answer.close()
    assert len(gzip.compress(payload)) > 100_000


async def test_an_upload_is_counted_to_the_byte_by_the_server() -> None:
    sizes = [1, 65_537, 3_000_000]

    async def send(app: ServerApp, lease_id: str, n: int) -> dict[str, Any]:
        async def blocks() -> Any:
            for start in range(0, sizes[n], 70_000):
                yield bytes(min(70_000, sizes[n] - start))

        async with app.client.post(f"/v1/transfer/{lease_id}/upload/{n}", data=blocks()) as answer:
            assert answer.status == 200
            body: dict[str, Any] = await answer.json()
            return body

    async with server_app() as app:
        lease_id = await app.lease(direction="upload", streams=3)
        answers = await asyncio.gather(*(send(app, lease_id, n) for n in (2, 0, 1)))
        samples, end = await samples_of(app, lease_id)
    assert [answer["received_bytes"] for answer in answers] == [3_000_000, 1, 65_537]
    assert samples[-1].stream_bytes == tuple(sizes)
    assert samples[-1].counted_as is CountedAs.RECEIVED
    assert (end.problem, end.congestion_control) == (None, None)


async def test_an_upload_counts_the_bytes_on_the_wire_whatever_the_client_says_they_are() -> None:
    packed = gzip.compress(bytes(1_000_000))
    async with server_app() as app:
        lease_id = await app.lease(direction="upload")
        async with app.client.post(
            f"/v1/transfer/{lease_id}/upload/0", data=packed, headers={"Content-Encoding": "gzip"}
        ) as answer:
            assert (await answer.json())["received_bytes"] == len(packed)


async def test_an_upload_that_its_client_breaks_off_keeps_its_count_and_ends_the_transfer() -> None:
    async with server_app() as app:
        lease_id = await app.lease(direction="upload")
        _, writer = await asyncio.open_connection("127.0.0.1", app.port)
        writer.write(
            f"POST /v1/transfer/{lease_id}/upload/0 HTTP/1.1\r\nHost: x\r\n"
            f"Authorization: {HEADERS['Authorization']}\r\nContent-Length: 1000000\r\n\r\n".encode()
        )
        writer.write(bytes(1234))
        await writer.drain()
        await sample_with(app, lease_id, (1234,))
        writer.transport.abort()
        samples, end = await samples_of(app, lease_id)
    assert samples[-1].stream_bytes == (1234,)
    assert end.problem is None


async def sample_with(app: ServerApp, lease_id: str, at_least: tuple[int, ...]) -> Sample:
    """Follow the samples, live, until one has at least so many bytes on each stream."""
    async with app.client.get(f"/v1/leases/{lease_id}/samples") as answer:
        async for line in answer.content:
            entry = sample_line_from_json(json.loads(line))
            assert isinstance(entry, Sample), f"the end came before {at_least}: {entry}"
            if all(count >= wanted for count, wanted in zip(entry.stream_bytes, at_least, strict=True)):
                answer.close()
                return entry
    raise AssertionError("the samples ended without an end line")


@pytest.mark.parametrize("number", ["1", "99999999999999999999", "-1", "one", "0x0", "\u0663"])
async def test_a_stream_number_out_of_range_is_refused(number: str) -> None:
    """\u0663 is a decimal digit to Python, and none to us."""
    async with server_app() as app:
        lease_id = await app.lease(streams=1)
        status, code = await app.problem_code("GET", f"/v1/transfer/{lease_id}/download/{number}")
        assert status in (400, 409)
        assert code == "bad_request"


async def test_a_stream_number_is_good_for_one_connection() -> None:
    async with server_app() as app:
        lease_id = await app.lease(streams=2)
        path = f"/v1/transfer/{lease_id}/download/0"
        async with app.client.get(path) as answer:
            await answer.content.readany()
            assert await app.problem_code("GET", path) == (409, "bad_request")
            answer.close()
        assert await app.problem_code("GET", path) == (409, "bad_request")


async def test_the_wrong_direction_is_refused() -> None:
    async with server_app() as app:
        lease_id = await app.lease(direction="upload")
        assert await app.problem_code("GET", f"/v1/transfer/{lease_id}/download/0") == (409, "bad_request")


async def test_an_upload_after_the_end_of_its_lease_is_refused_and_not_read_for_ever() -> None:
    async def endless() -> Any:
        while True:
            yield bytes(65_536)

    async with server_app() as app:
        lease_id = await app.lease(direction="upload")
        async with app.client.delete(f"/v1/leases/{lease_id}") as answer:
            assert answer.status == 204
        path = f"/v1/transfer/{lease_id}/upload/0"
        assert await app.problem_code("POST", path, data=b"x") == (410, "no_lease")
        async with asyncio.timeout(5):
            with suppress(aiohttp.ClientError):  # closed while the client was still sending: refused as well
                async with app.client.post(path, data=endless()) as refused:
                    assert refused.status == 410
        _, end = await samples_of(app, lease_id)
        assert replace(end, host=None) == EndLine()


async def test_a_download_ends_when_the_time_of_its_lease_is_over_even_if_its_agent_still_asks() -> None:
    async with server_app() as app:
        lease_id = await app.lease(warm_up_s=0, duration_s=1)
        async with app.client.get(f"/v1/transfer/{lease_id}/download/0") as answer:
            await answer.content.readany()
            for _ in range(2):
                app.clock.pushed_s += (1 + LEASE_MARGIN_S) / 2
                await state_of(app, lease_id)
            with pytest.raises(aiohttp.ClientError):
                async for _ in answer.content.iter_any():
                    pass
        _, end = await samples_of(app, lease_id)
        assert end.problem == f"the lease ended: its time of {1 + LEASE_MARGIN_S:g} s was over"


async def test_the_cap_on_bytes_ends_a_download() -> None:
    async with server_app(limits=Limits(max_transfer_bytes=5_000_000)) as app:
        lease_id = await app.lease()
        with pytest.raises(aiohttp.ClientError):
            await some_payload(app, f"/v1/transfer/{lease_id}/download/0", 100_000_000)
        samples, end = await samples_of(app, lease_id)
    assert end.problem == "stopped at this server's cap of 5000000 bytes a transfer"
    assert samples[-1].total_bytes <= 5_000_000 + 2**20


async def test_samples_come_live_and_stay_for_a_while_after_the_lease() -> None:
    async with server_app() as app:
        lease_id = await app.lease()
        async with app.client.get(f"/v1/transfer/{lease_id}/download/0") as answer:
            await answer.content.readany()
            await sample_with(app, lease_id, (1,))  # while the transfer runs
            answer.close()
        live, live_end = await samples_of(app, lease_id)
        await app.client.delete(f"/v1/leases/{lease_id}")
        assert await samples_of(app, lease_id) == (live, live_end)
        app.clock.pushed_s += 29
        assert (await samples_of(app, lease_id))[1] == live_end
        app.clock.pushed_s += 2
        assert await app.problem_code("GET", f"/v1/leases/{lease_id}/samples") == (404, "no_lease")
        assert app.desk.activity(lease_id) is None  # or a server would grow with every test it serves


async def test_leases_at_once_are_marked_as_shared_where_the_server_allows_them() -> None:
    async with server_app(parallel=2) as app:
        first, second = await app.lease(), await app.lease()
        assert (await state_of(app, first)).shared
        assert (await state_of(app, second)).phase == "active"


# --- clients that are slow, or gone -------------------------------------------------------------------------------


async def drained(sock: socket.socket) -> bytes:
    """Read what is still on its way and return the end of it; the server must have broken the connection."""
    loop, tail = asyncio.get_running_loop(), b""
    async with asyncio.timeout(5):
        with suppress(ConnectionResetError):
            while block := await loop.sock_recv(sock, 2**20):
                tail = (tail + block)[-10_000:]
    return tail


async def test_a_body_that_trickles_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "BODY_TIMEOUT_S", 0.1)
    async with server_app() as app:
        reader, writer = await asyncio.open_connection("127.0.0.1", app.port)
        writer.write(
            f"POST /v1/leases HTTP/1.1\r\nHost: x\r\nAuthorization: {HEADERS['Authorization']}\r\n"
            "Content-Length: 200\r\n\r\n{".encode()
        )
        answer = await asyncio.wait_for(reader.read(), 5)
        writer.close()
        await writer.wait_closed()
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["error"]["code"] == "bad_request"


@pytest.mark.slow
@pytest.mark.parametrize("said", [b"", b"GET /v1/identity HTTP/1.1\r\nHost:", b"\x16\x03\x01\x02\x00\x01"])
async def test_half_open_connections_neither_block_the_server_nor_stay(said: bytes) -> None:
    async with server_app() as app:
        connections = [await asyncio.open_connection("127.0.0.1", app.port) for _ in range(40)]
        for _, writer in connections:
            writer.write(said)
        async with app.client.get("/v1/identity") as answer:
            assert answer.status == 200
        await asyncio.sleep(1.2)  # the server looks once a second, and counts from its first look
        app.clock.pushed_s += limits.IDLE_CONNECTION_S
        for reader, writer in connections:
            with suppress(ConnectionError):
                await asyncio.wait_for(reader.read(), 5)
            writer.close()


async def test_a_client_that_never_reads_its_download_is_let_go_at_the_end_of_the_lease() -> None:
    async with server_app() as app:
        lease_id = await app.lease()
        with socket.create_connection(("127.0.0.1", app.port)) as lazy:
            lazy.sendall(
                f"GET /v1/transfer/{lease_id}/download/0 HTTP/1.1\r\nHost: x\r\n"
                f"Authorization: {HEADERS['Authorization']}\r\n\r\n".encode()
            )
            await sample_with(app, lease_id, (1,))
            await app.client.delete(f"/v1/leases/{lease_id}")
            _, end = await samples_of(app, lease_id)
            assert end.problem is None
            lazy.setblocking(False)
            await drained(lazy)


async def test_a_reader_of_samples_that_takes_none_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sitetest_server.app.LEASE_SILENCE_S", 0.1)
    host = FakeHost()
    async with server_app(host=host) as app:
        lease_id = await app.lease(engine="iperf3", streams=32)
        for tick in range(40_000):  # some 20 MB as text: above what the kernel keeps for a reader that takes none
            host.on_sample[0](Sample(tick / 10, (10**12,) * 32, CountedAs.ACKED))
        with socket.create_connection(("127.0.0.1", app.port)) as lazy:
            lazy.sendall(
                f"GET /v1/leases/{lease_id}/samples HTTP/1.1\r\nHost: x\r\n"
                f"Authorization: {HEADERS['Authorization']}\r\n\r\n".encode()
            )
            loop = asyncio.get_running_loop()
            lazy.setblocking(False)
            await loop.sock_recv(lazy, 1)
            await asyncio.sleep(1.5)
            assert b'{"end":' not in await drained(lazy)


async def test_a_fault_in_mid_answer_closes_the_connection_and_says_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_activity: object, _stream: object, _count: int) -> None:
        raise ZeroDivisionError

    async with server_app() as app:
        lease_id = await app.lease()
        monkeypatch.setattr("sitetest_server.http_activity.HttpActivity.count", broken)
        reader, writer = await asyncio.open_connection("127.0.0.1", app.port)
        writer.write(
            f"GET /v1/transfer/{lease_id}/download/0 HTTP/1.1\r\nHost: x\r\n"
            f"Authorization: {HEADERS['Authorization']}\r\n\r\n".encode()
        )
        answer = await asyncio.wait_for(reader.read(), 5)
        writer.close()
        assert (await samples_of(app, lease_id))[1].problem is None
    assert answer.startswith(b"HTTP/1.1 200 ")
    assert answer.count(b"HTTP/1.1 ") == 1
    assert not answer.endswith(b"0\r\n\r\n")  # the end of a whole chunked body (RFC 9112, 7.1)


async def test_a_stranger_who_does_not_speak_http_gets_no_insides() -> None:
    async with server_app() as app:
        reader, writer = await asyncio.open_connection("127.0.0.1", app.port)
        writer.write(b"\x00\x01\x02 nonsense\r\n\r\n")
        answer = await asyncio.wait_for(reader.read(), 5)
        writer.close()
        assert b"Traceback" not in answer
        assert b"400" in answer.split(b"\r\n")[0]


async def test_payload_that_moves_keeps_a_lease_whose_agent_cannot_be_heard() -> None:
    """Behind a queue of many seconds an upload flows while every question of the agent comes too late."""
    async with server_app() as app:
        lease_id = await app.lease(engine="iperf3", duration_s=300)
        for moved_bytes in (1000, 2000, 3000):
            app.clock.pushed_s += LEASE_SILENCE_S * 0.7
            app.host.on_sample[0](Sample(app.clock.pushed_s, (moved_bytes,), CountedAs.RECEIVED))
            await asyncio.sleep(2 * ADVANCE_PERIOD_S)
            assert [state.phase for state in app.desk.states()] == ["active"]
        app.clock.pushed_s += LEASE_SILENCE_S
        await asyncio.sleep(2 * ADVANCE_PERIOD_S)
        assert app.desk.states() == ()
        assert app.desk.lease(lease_id).phase == "ended"
