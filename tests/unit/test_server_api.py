"""The client of the server's API against a server that misbehaves on demand."""

import asyncio
import json
import time
from dataclasses import replace
from typing import Any

import pytest
from aiohttp import web
from fake_test_server import IDENTITY, LEASE_ID, FakeTestServer, fake_test_server, problem_handler, text_handler
from http_transfers import AGENT, KeepingWatch, until

from sitetest.engines import server_api
from sitetest.engines.base import FailureKind, Reflector
from sitetest.engines.failure_translation import OtherProtocol, TransferProblem, server_error
from sitetest.engines.server_api import RELEASE_LIMIT_S, ServerApi
from sitetest.errors import ServerUnreachable, VersionMismatch
from sitetest_wire.messages import PROTOCOL_VERSION, EndLine, LeaseRequest, LeaseState
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

REQUEST = LeaseRequest(AGENT, EngineName.HTTP, Direction.DOWNLOAD, streams=1, warm_up_s=0.0, duration_s=1.0)


@pytest.fixture
def fast_polls(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask about a lease without waiting a second in between."""
    monkeypatch.setattr(server_api, "LEASE_POLL_S", 0.01)


def json_handler(body: Any, status: int = 200) -> Any:
    async def answer(request: web.Request) -> web.StreamResponse:
        return web.json_response(body, status=status)

    return answer


async def hang(request: web.Request) -> web.StreamResponse:
    await asyncio.Event().wait()
    raise AssertionError("never reached")


async def test_identity_needs_no_token_and_sends_the_one_it_has() -> None:
    async with fake_test_server() as fake:
        async with ServerApi(fake.url) as api:
            assert (await api.identity()).server_id == "s1"
        async with ServerApi(fake.url, "the-token") as api:
            await api.identity()
    assert "Authorization" not in fake.headers[0]
    assert fake.headers[1]["Authorization"] == "Bearer the-token"


async def test_host_and_port_are_those_of_the_address() -> None:
    async with ServerApi("[2001:db8::7]:9000") as api:
        assert (api.host, api.port, api.base_url) == ("2001:db8::7", 9000, "http://[2001:db8::7]:9000")


async def test_a_lease_tells_where_round_trips_can_be_asked_for() -> None:
    """At the address that the lease was asked at, for a name may stand for several: the reflector knows that one."""
    state = LeaseState(LEASE_ID, "active", reflector_port=17300, reflector_token="0123456789abcdef" * 2)
    async with fake_test_server(FakeTestServer(states=[state])) as fake:
        port = fake.url.rpartition(":")[2]
        async with ServerApi(f"localhost:{port}") as api:
            assert api.reached_at == "localhost", "nothing was asked yet"
            async with api.lease(REQUEST, KeepingWatch()) as lease:
                assert lease.server_address == api.reached_at == "127.0.0.1"
                assert lease.reflector == Reflector("127.0.0.1", 17300, bytes.fromhex("0123456789abcdef" * 2))


@pytest.mark.parametrize("changes", [{}, {"reflector_port": 862}, {"reflector_token": "00" * 16}])
async def test_a_server_without_a_reflector_or_without_a_token_for_it(changes: Any) -> None:
    """UDP port 862 is that of RFC 8762, whose reflectors want no token."""
    async with (
        fake_test_server(FakeTestServer(states=[LeaseState(LEASE_ID, "active", **changes)])) as fake,
        ServerApi(fake.url) as api,
        api.lease(REQUEST, KeepingWatch()) as lease,
    ):
        expected = Reflector("127.0.0.1", 862, None) if "reflector_port" in changes else None
        assert lease.reflector == expected


@pytest.mark.parametrize(("protocol", "newer"), [(PROTOCOL_VERSION + 1, "server"), (PROTOCOL_VERSION - 1, "agent")])
async def test_another_protocol_is_told_before_anything_else_is_read(protocol: int, newer: str) -> None:
    """A newer server's identity may have another form altogether."""
    body = {"protocol": protocol, "version": "9.1"}
    async with fake_test_server(FakeTestServer(hooks={"identity": json_handler(body)})) as fake:
        api = ServerApi(fake.url)
        with pytest.raises(OtherProtocol) as caught:
            await api.identity()
        await api.close()
    error = server_error(caught.value)
    assert type(error) is VersionMismatch
    assert f"speaks protocol {protocol}" in error.message
    assert f"speaks protocol {PROTOCOL_VERSION}" in error.message
    assert "9.1" in error.message
    assert f"The {newer} is newer" in error.next_step


@pytest.mark.parametrize(
    "handler",
    [
        text_handler(200, "<html>a printer</html>"),
        text_handler(200, "[]"),
        text_handler(200, json.dumps({**IDENTITY, "name": 3})),
        text_handler(200, "x" * (2**20 + 1)),
        text_handler(302, "", Location="http://far.example/"),
    ],
    ids=["html", "list", "wrong type", "endless", "redirect"],
)
async def test_what_is_not_a_test_server_is_said_so(handler: Any) -> None:
    async with fake_test_server(FakeTestServer(hooks={"identity": handler})) as fake, ServerApi(fake.url) as api:
        with pytest.raises(TransferProblem) as caught:
            await api.identity()
    assert caught.value.failure.kind is FailureKind.BAD_OUTPUT
    assert fake.url in caught.value.failure.message
    assert type(server_error(caught.value)) is ServerUnreachable
    assert len(fake.requests) == 1, "a redirect was followed"


async def test_a_proxy_in_the_environment_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is measured is the path to the server: nothing listens at the proxy's address."""
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:1")
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:1")
    async with fake_test_server() as fake, ServerApi(fake.url) as api:
        assert (await api.identity()).name == "counter-server"


async def test_a_silent_server_is_given_up_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_api, "REQUEST_LIMIT_S", 0.1)
    async with fake_test_server(FakeTestServer(hooks={"identity": hang})) as fake, ServerApi(fake.url) as api:
        with pytest.raises(TransferProblem) as caught:
            await api.identity()
    assert caught.value.failure.kind is FailureKind.STALLED


@pytest.mark.usefixtures("fast_polls")
async def test_the_place_in_the_queue_is_told_until_the_lease_is_held() -> None:
    waiting = LeaseState(LEASE_ID, "waiting", place=2, wait_s=40.0, held_by="other-laptop")
    states = [waiting, replace(waiting, place=1, wait_s=20.0), LeaseState(LEASE_ID, "active")]
    watch = KeepingWatch()
    async with fake_test_server(FakeTestServer(states=states)) as fake, ServerApi(fake.url, "t") as api:
        async with api.lease(REQUEST, watch) as lease:
            assert lease.state.phase == "active"
            assert watch.starts == 1
            assert not fake.released.is_set()
        assert fake.released.is_set()
    assert watch.waits == [(2, 40.0, "other-laptop"), (1, 20.0, "other-laptop")]


@pytest.mark.usefixtures("fast_polls")
async def test_a_held_lease_is_kept_alive_by_asking() -> None:
    """The server ends a lease about which nobody asks; and the last answer is what `state` shows."""
    states = [LeaseState(LEASE_ID, "active"), LeaseState(LEASE_ID, "active", shared=True)]
    fake = FakeTestServer(states=states)
    async with fake_test_server(fake), ServerApi(fake.url) as api, api.lease(REQUEST, KeepingWatch()) as lease:
        await until(lambda: fake.requests.count(f"GET /v1/leases/{LEASE_ID}") >= 3)
        assert lease.state.shared
        assert lease.ended is None


@pytest.mark.usefixtures("fast_polls")
async def test_a_lease_that_ends_under_our_feet_says_why() -> None:
    states = [LeaseState(LEASE_ID, "active"), LeaseState(LEASE_ID, "ended", reason="its time was over")]
    async with fake_test_server(FakeTestServer(states=states)) as fake, ServerApi(fake.url) as api:
        async with api.lease(REQUEST, KeepingWatch()) as lease:
            await until(lambda: lease.ended is not None)
            assert lease.ended is not None
            assert lease.ended.kind is FailureKind.LEASE_DENIED
            assert "its time was over" in lease.ended.message
        assert not fake.released.is_set(), "what is over already needs no release"


@pytest.mark.usefixtures("fast_polls")
async def test_a_lease_that_the_server_forgot_has_ended() -> None:
    """A server that was started anew knows nothing of old leases."""
    fake = FakeTestServer(hooks={LEASE_ID: problem_handler(404, "no_lease", "no such lease")})
    async with fake_test_server(fake), ServerApi(fake.url) as api, api.lease(REQUEST, KeepingWatch()) as lease:
        await until(lambda: lease.ended is not None)
        assert lease.ended is not None
        assert "no such lease" in lease.ended.message


@pytest.mark.usefixtures("fast_polls")
async def test_one_lost_answer_does_not_cost_the_place_in_the_queue() -> None:
    """A fade while waiting is no reason to go to the end of the queue."""
    answers = [LeaseState(LEASE_ID, "waiting", place=1, wait_s=1.0), LeaseState(LEASE_ID, "active")]

    async def first_breaks_off(request: web.Request) -> web.StreamResponse:
        if fake.requests.count(f"GET /v1/leases/{LEASE_ID}") == 1:
            assert request.transport is not None
            request.transport.abort()
        return web.json_response(answers[1].to_json())

    fake = FakeTestServer(states=answers[:1], hooks={LEASE_ID: first_breaks_off})
    async with fake_test_server(fake), ServerApi(fake.url) as api, api.lease(REQUEST, KeepingWatch()) as lease:
        assert lease.state.phase == "active"


@pytest.mark.parametrize(
    ("status", "code", "kind"),
    [
        (401, "token", FailureKind.LEASE_DENIED),
        (400, "limit", FailureKind.LEASE_DENIED),
        (503, "busy", FailureKind.BUSY),
        (409, "engine", FailureKind.UNAVAILABLE),
    ],
)
async def test_a_refused_lease_is_a_problem_with_the_servers_words(status: int, code: str, kind: FailureKind) -> None:
    watch = KeepingWatch()
    fake = FakeTestServer(hooks={"leases": problem_handler(status, code, "32 streams at most")})
    async with fake_test_server(fake), ServerApi(fake.url) as api:
        with pytest.raises(TransferProblem, match="32 streams at most") as caught:
            async with api.lease(REQUEST, watch):
                raise AssertionError("never reached")
    assert caught.value.failure.kind is kind
    assert watch.starts == 0


async def test_a_stop_while_waiting_leaves_the_queue() -> None:
    stop = asyncio.Event()
    watch = KeepingWatch()
    waiting = LeaseState(LEASE_ID, "waiting", place=1, wait_s=40.0)
    async with fake_test_server(FakeTestServer(states=[waiting])) as fake, ServerApi(fake.url) as api:
        asyncio.get_running_loop().call_later(0.05, stop.set)
        with pytest.raises(TransferProblem) as caught:
            async with api.lease(REQUEST, watch, stop):
                raise AssertionError("never reached")
        assert fake.released.is_set()
    assert caught.value.failure.kind is FailureKind.STOPPED
    assert watch.starts == 0


async def test_a_cancelled_holder_still_gives_the_lease_back() -> None:
    held = asyncio.Event()

    async def hold(api: ServerApi) -> None:
        async with api.lease(REQUEST, KeepingWatch()):
            held.set()
            await asyncio.Event().wait()

    async with fake_test_server() as fake, ServerApi(fake.url) as api:
        task = asyncio.create_task(hold(api))
        await held.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert fake.released.is_set()


@pytest.mark.slow
async def test_a_release_that_is_not_answered_holds_nobody_up_for_long() -> None:
    """Also when the task is cancelled again meanwhile: the release is shielded and limited in time."""
    held = asyncio.Event()

    async def hold(api: ServerApi) -> None:
        async with api.lease(REQUEST, KeepingWatch()):
            held.set()
            await asyncio.Event().wait()

    async with fake_test_server(FakeTestServer(on_release=hang)) as fake, ServerApi(fake.url) as api:
        task = asyncio.create_task(hold(api))
        await held.wait()
        began_s = time.monotonic()
        task.cancel()
        await fake.released.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert RELEASE_LIMIT_S * 0.9 < time.monotonic() - began_s < RELEASE_LIMIT_S + 1.0


def samples_of(*parts: bytes) -> FakeTestServer:
    """A server whose samples are these pieces of text, cut where the network cuts them."""

    async def answer(request: web.Request) -> web.StreamResponse:
        response = web.StreamResponse()
        await response.prepare(request)
        for part in parts:
            await response.write(part)
        return response

    return FakeTestServer(hooks={"samples": answer})


def line(body: Any) -> bytes:
    return json.dumps(body).encode() + b"\n"


async def read_samples(fake: FakeTestServer) -> list[Sample | EndLine]:
    async with fake_test_server(fake), ServerApi(fake.url) as api, api.lease(REQUEST, KeepingWatch()) as lease:
        return [told async for told in lease.samples()]


async def test_samples_are_read_line_by_line_wherever_the_network_cuts_them() -> None:
    samples = [Sample(0.1, (5, 6), CountedAs.ACKED, (1.0, 2.0), 3), Sample(0.2, (7, 8), CountedAs.ACKED)]
    text = b"".join(line(sample.to_json()) for sample in samples) + b"\n" + line(EndLine("reno", 0.5).to_json())
    for size in (1, 7, len(text)):
        parts = [text[start : start + size] for start in range(0, len(text), size)]
        assert await read_samples(samples_of(*parts)) == [*samples, EndLine("reno", 0.5)]


async def test_a_long_last_line_is_read_whole() -> None:
    """libiperf's own record comes in it: 0.35 KB a stream and second."""
    raw = "x" * 3_000_000
    assert await read_samples(samples_of(line(EndLine(raw=raw).to_json()))) == [EndLine(raw=raw)]


async def test_a_line_without_end_is_not_kept_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_api, "MAX_LINE_BYTES", 1000)
    with pytest.raises(TransferProblem) as caught:
        await read_samples(samples_of(b"x" * 5000))
    assert caught.value.failure.kind is FailureKind.BAD_OUTPUT


@pytest.mark.parametrize("text", [b"no json\n", b"[]\n", b'{"at_s": "x"}\n', b'{"end": 3}\n', b"\xff\n"])
async def test_samples_that_cannot_be_understood_are_a_problem(text: bytes) -> None:
    with pytest.raises(TransferProblem) as caught:
        await read_samples(samples_of(text))
    assert caught.value.failure.kind is FailureKind.BAD_OUTPUT


async def test_refused_samples_are_a_problem_with_the_servers_words() -> None:
    with pytest.raises(TransferProblem, match="no such lease") as caught:
        await read_samples(FakeTestServer(hooks={"samples": problem_handler(404, "no_lease", "no such lease")}))
    assert caught.value.failure.kind is FailureKind.LEASE_DENIED
