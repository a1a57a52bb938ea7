"""The reflector of a server as an agent meets it: open to a lease's holder while it holds it, and to nobody else."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

import pytest
from server_app import PushedClock, ServerApp, lease_request, server_app
from stamped_packets import SILENCE, ask

from sitetest_server.leases import LEASE_MARGIN_S
from sitetest_server.reflector import Reflector
from sitetest_server.server import reflecting
from sitetest_wire.messages import Identity, LeaseState
from sitetest_wire.stamp_token import TOKEN_BYTES


@asynccontextmanager
async def reflecting_app() -> AsyncIterator[tuple[ServerApp, Reflector]]:
    """The application with a real reflector, both on the clock that can be pushed on."""
    clock = PushedClock()
    reflector = await Reflector.open("127.0.0.1", clock=clock)
    try:
        async with server_app(reflector=reflector, clock=clock) as app:
            yield app, reflector
    finally:
        reflector.close()
        await asyncio.sleep(0)


async def held(app: ServerApp) -> LeaseState:
    async with app.client.post("/v1/leases", json=lease_request()) as answer:
        assert answer.status == 201
        return LeaseState.from_json(await answer.json())


async def told(app: ServerApp, state: LeaseState) -> LeaseState:
    async with app.client.get(f"/v1/leases/{state.lease_id}") as answer:
        return LeaseState.from_json(await answer.json())


def token_of(state: LeaseState) -> tuple[int, bytes]:
    assert state.reflector_port is not None
    assert state.reflector_token is not None
    return state.reflector_port, bytes.fromhex(state.reflector_token)


async def test_it_answers_the_holder_during_the_lease_and_not_after_it() -> None:
    async with reflecting_app() as (app, reflector):
        state = await held(app)
        port, token = token_of(state)
        assert port == reflector.port
        assert await ask(port, token, 1)
        assert token_of(await told(app, state)) == (port, token)
        assert await ask(port, token, 2)
        async with app.client.delete(f"/v1/leases/{state.lease_id}") as answer:
            assert answer.status == 204
        assert await ask(port, token, SILENCE) == b""
        assert (reflector.counts.answered, reflector.counts.unknown) == (2, 1)


async def test_a_wrong_token_and_another_host_get_silence_while_the_lease_is_held() -> None:
    """127.0.0.2 is another address of this machine (RFC 1122, 3.2.1.3: all of 127.0.0.0/8 is)."""
    async with reflecting_app() as (app, reflector):
        port, token = token_of(await held(app))
        assert await ask(port, bytes(TOKEN_BYTES), SILENCE) == b""
        assert await ask(port, token, SILENCE + 1, source="127.0.0.2") == b""
        assert reflector.counts.unknown == 2
        assert await ask(port, token, 1)


async def test_the_end_of_a_leases_time_is_the_end_of_its_token_even_before_anybody_looked() -> None:
    async with reflecting_app() as (app, reflector):
        port, token = token_of(await held(app))
        app.clock.pushed_s += 5 + LEASE_MARGIN_S
        assert await ask(port, token, SILENCE) == b""
        assert reflector.counts.unknown == 1


async def test_identity_and_the_list_of_leases_tell_the_port_and_no_token() -> None:
    async with reflecting_app() as (app, reflector):
        state = await held(app)
        async with app.client.get("/v1/identity") as answer:
            assert Identity.from_json(await answer.json()).reflector_port == reflector.port
        async with app.client.get("/v1/leases") as answer:
            listed = await answer.text()
        assert state.reflector_token is not None
        assert state.reflector_token not in listed


async def test_every_lease_has_a_token_of_its_own() -> None:
    async with reflecting_app() as (app, _):
        seen = set()
        for _ in range(3):
            state = await held(app)
            seen.add(state.reflector_token)
            async with app.client.delete(f"/v1/leases/{state.lease_id}"):
                pass
        assert len(seen) == 3
        assert None not in seen


async def test_without_a_reflector_the_server_works_and_says_so() -> None:
    async with server_app() as app:
        state = await held(app)
        assert (state.reflector_port, state.reflector_token) == (None, None)
        async with app.client.get("/v1/identity") as answer:
            assert Identity.from_json(await answer.json()).reflector_port is None


# --- on which port ------------------------------------------------------------------------------------------------


@pytest.fixture
def taken() -> Iterator[int]:
    """A UDP port that somebody else holds."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        yield int(other.getsockname()[1])


async def test_it_is_opened_on_the_number_of_the_tcp_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as tcp:
        number = tcp.getsockname()[1]
        notes: list[str] = []
        async with reflecting("127.0.0.1", None, number, notes.append) as reflector:
            assert reflector is not None
            assert reflector.port == number
        await asyncio.sleep(0)
        assert notes == []
        async with reflecting("127.0.0.1", number, 1, notes.append) as again:
            assert again is not None, "closed before, or the port would be in use"
            assert again.port == number
        await asyncio.sleep(0)


async def test_where_that_number_is_in_use_any_other_does(taken: int) -> None:
    notes: list[str] = []
    async with reflecting("127.0.0.1", None, taken, notes.append) as reflector:
        assert reflector is not None
        assert reflector.port not in (0, taken)
    await asyncio.sleep(0)
    assert notes == []


async def test_a_port_that_was_named_and_is_in_use_is_noted_and_never_fatal(taken: int) -> None:
    notes: list[str] = []
    async with reflecting("127.0.0.1", taken, 17300, notes.append) as reflector:
        assert reflector is None
    (note,) = notes
    assert f"UDP port {taken}" in note
    assert "in use" in note
    assert "--reflector-port" in note
