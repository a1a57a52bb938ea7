"""Passes for the watch over the path: beside everybody's leases, for their holder alone, as long as somebody asks."""

import asyncio
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from server_app import TOKEN, PushedClock, ServerApp, server_app
from stamped_packets import SILENCE, ask

from sitetest.cli.watch_passes import ServerPasses
from sitetest.engines.base import FailureKind
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import ServerApi
from sitetest.observe.watch.passes import NoPass
from sitetest_server.leases import Caller
from sitetest_server.reflector import MOST_TOKENS, Reflector
from sitetest_server.watch_desk import LOST_AFTER_S, MAX_WATCHES, TooManyWatches, WatchDesk
from sitetest_wire.messages import WATCH_SILENCE_S, WatchRequest, WatchState
from sitetest_wire.stamp_token import TOKEN_BYTES


@asynccontextmanager
async def watched_app() -> AsyncIterator[tuple[ServerApp, Reflector]]:
    """The application with a real reflector, both on the clock that can be pushed on."""
    clock = PushedClock()
    reflector = await Reflector.open("127.0.0.1", clock=clock)
    try:
        async with server_app(reflector=reflector, clock=clock) as app:
            yield app, reflector
    finally:
        reflector.close()
        await asyncio.sleep(0)


async def begun(app: ServerApp) -> WatchState:
    async with app.client.post("/v1/watches", json={"agent": "counter-laptop"}) as answer:
        assert answer.status == 201
        return WatchState.from_json(await answer.json())


def token_of(state: WatchState) -> bytes:
    return bytes.fromhex(state.reflector_token)


async def test_the_reflector_answers_while_another_agent_holds_the_lease_and_until_the_pass_is_given_back() -> None:
    async with watched_app() as (app, reflector):
        lease = await app.lease()
        state = await begun(app)
        assert state.reflector_port == reflector.port
        assert await ask(state.reflector_port, token_of(state), 1)
        async with app.client.delete(f"/v1/leases/{lease}"):
            pass
        assert await ask(state.reflector_port, token_of(state), 2)
        async with app.client.delete(f"/v1/watches/{state.watch_id}") as answer:
            assert answer.status == 204
        assert await ask(state.reflector_port, token_of(state), SILENCE) == b""
        for method in ("GET", "DELETE"):
            assert await app.problem_code(method, f"/v1/watches/{state.watch_id}") == (404, "no_watch")


async def test_a_pass_does_not_take_the_lease_nor_a_place_in_the_queue() -> None:
    async with watched_app() as (app, _):
        await begun(app)
        async with app.client.get("/v1/leases") as answer:
            assert await answer.json() == []
        assert await app.lease()


async def test_a_pass_lives_while_it_is_asked_about_and_ends_in_silence() -> None:
    async with watched_app() as (app, reflector):
        state = await begun(app)
        for number in (1, 2):
            app.clock.pushed_s += WATCH_SILENCE_S - 5
            async with app.client.get(f"/v1/watches/{state.watch_id}") as answer:
                again = WatchState.from_json(await answer.json())
            assert (again.reflector_token, again.ends_in_s) == (state.reflector_token, WATCH_SILENCE_S)
            assert await ask(reflector.port, token_of(state), number)
        app.clock.pushed_s += WATCH_SILENCE_S + 1
        assert await ask(reflector.port, token_of(state), SILENCE) == b""
        assert await app.problem_code("GET", f"/v1/watches/{state.watch_id}") == (404, "no_watch")


async def test_only_the_host_that_asked_is_answered() -> None:
    async with watched_app() as (app, reflector):
        state = await begun(app)
        assert await ask(reflector.port, token_of(state), SILENCE, source="127.0.0.2") == b""
        assert reflector.counts.unknown == 1


@pytest.mark.parametrize(
    ("body", "expected"),
    [({}, 400), ({"agent": ""}, 400), ({"agent": 3}, 400), ({"agent": "x", "why": "y"}, 400), ([], 400)],
)
async def test_a_body_that_is_none_is_refused(body: object, expected: int) -> None:
    async with watched_app() as (app, _):
        assert await app.problem_code("POST", "/v1/watches", json=body) == (expected, "bad_request")


async def test_no_pass_without_the_servers_token_nor_without_a_reflector() -> None:
    async with watched_app() as (app, _):
        wrong = {"Authorization": "Bearer another"}
        status, code = await app.problem_code("POST", "/v1/watches", json={"agent": "x"}, headers=wrong)
        assert (status, code) == (401, "token")
    async with server_app() as app:
        assert await app.problem_code("POST", "/v1/watches", json={"agent": "x"}) == (501, "no_reflector")


class TakesTokens:
    """A reflector that answers nobody."""

    port = 17300

    def __init__(self) -> None:
        self.admitted: set[bytes] = set()

    def admit(self, token: bytes, *, until_s: float, host: str | None = None) -> None:
        self.admitted.add(token)

    def revoke(self, token: bytes) -> None:
        self.admitted.discard(token)


def test_passes_are_bounded_and_a_lost_one_makes_room_for_somebody_new() -> None:
    now_s, numbers, reflector = [0.0], iter(range(1000)), TakesTokens()
    desk = WatchDesk(
        reflector,
        clock=lambda: now_s[0],
        new_id=lambda: f"watch{next(numbers)}",
        new_token=lambda: secrets.token_bytes(TOKEN_BYTES),
    )
    request, caller = WatchRequest("counter-laptop"), Caller("192.0.2.21")
    states = [desk.begin(request, caller) for _ in range(MAX_WATCHES)]
    with pytest.raises(TooManyWatches, match=str(MAX_WATCHES)):
        desk.begin(request, caller)
    now_s[0] = LOST_AFTER_S
    for state in states[1:]:
        desk.hear(state.watch_id)
    desk.begin(request, caller)
    with pytest.raises(KeyError):
        desk.hear(states[0].watch_id)
    assert len(reflector.admitted) == MAX_WATCHES < MOST_TOKENS


async def test_the_agent_renews_its_pass_and_gets_another_from_a_server_that_was_restarted() -> None:
    async with watched_app() as (app, reflector), ServerApi(f"127.0.0.1:{app.port}", TOKEN) as api:
        passes = ServerPasses(api, "counter-laptop")
        first = await passes.renew()
        assert (first.host, first.port) == ("127.0.0.1", reflector.port)
        assert await passes.renew() == first
        async with watched_app() as (other, _):  # knows nothing of the pass, has another port
            api.move_to(type(api.address)("127.0.0.1", other.port, "http"))
            second = await passes.renew()
            assert second.token is not None
            assert second.token != first.token
            assert await ask(second.port, second.token, 3)
            await passes.give_back()
            assert await ask(second.port, second.token, SILENCE) == b""
            await passes.give_back()


async def test_the_agent_tells_a_server_without_a_pass_from_one_that_does_not_answer() -> None:
    async with server_app() as app, ServerApi(f"127.0.0.1:{app.port}", TOKEN) as api:
        with pytest.raises(NoPass, match="has no reflector") as refused:
            await ServerPasses(api, "counter-laptop").renew()
        assert refused.value.answered
        with pytest.raises(TransferProblem) as unknown:
            await api.hear_watch("watch99")
        assert unknown.value.failure.kind is FailureKind.LEASE_DENIED
    async with ServerApi(f"127.0.0.1:{app.port}", TOKEN) as api:
        with pytest.raises(NoPass) as silent:
            await ServerPasses(api, "counter-laptop").renew()
        assert not silent.value.answered
