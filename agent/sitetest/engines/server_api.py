"""The client of the test server's API: who it is, a lease, and what its end sees of a transfer.

    async with ServerApi(address, token) as api:
        identity = await api.identity()
        async with api.lease(request, watch, stop) as lease:     # waits its turn, keeps itself alive, releases itself
            async for line in lease.samples(): ...

Every request has a deadline and a bounded answer, follows no redirect and knows no proxy. Whatever goes wrong is a
:class:`~sitetest.engines.failure_translation.TransferProblem`. Each request opens a connection of its own: one that was
kept open may have died with the last access point, and would take the next request with it.

May import sitetest_wire, sitetest.errors, aiohttp and the standard library only.
"""

import asyncio
import json
import ssl
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from types import TracebackType
from typing import Any, Self

import aiohttp

from sitetest.engines.base import CONNECT_TIMEOUT_S, STALL_LIMIT_S, Failure, FailureKind, Reflector, Watch
from sitetest.engines.failure_translation import (
    OtherProtocol,
    Stage,
    TransferProblem,
    not_ours,
    refusal,
    translated,
)
from sitetest.plan.server_address import ServerAddress, parse_server_address
from sitetest_wire.messages import (
    LEASE_POLL_S,
    LEASE_SILENCE_S,
    PROTOCOL_VERSION,
    EndLine,
    Identity,
    LeaseRequest,
    LeaseState,
    WatchRequest,
    WatchState,
    sample_line_from_json,
)
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction

REQUEST_LIMIT_S = 5.0
"""How long one request may take in all: connecting, and an answer of a few hundred bytes over a loaded link."""

RELEASE_LIMIT_S = 1.0
"""How long giving a lease back may hold up whoever waits; the server ends it by itself when we fail to say so."""

SAMPLES_SILENCE_S = STALL_LIMIT_S + 2.0
"""How long the samples may be silent. Above the stall limit, so that the engine's own watchdog says it first."""

MAX_ANSWER_BYTES = 2**20
"""No answer but the samples is longer than a few kilobytes."""

MAX_LINE_BYTES = 2**26
"""The longest line of samples: the last one may carry libiperf's record, 0.35 KB for each stream and second."""


class ServerApi:
    """One test server, spoken to with one token.

    address: of the server, or its text as people write it (raises UsageError). token: None sends none. ssl_context: for
    https; None checks the certificate against what this laptop trusts (SSL_CERT_FILE is honoured). Use as an async
    context manager, or call :meth:`close`.
    """

    def __init__(
        self, address: ServerAddress | str, token: str | None = None, *, ssl_context: ssl.SSLContext | None = None
    ) -> None:
        self.address = parse_server_address(address) if isinstance(address, str) else address
        if ssl_context is None and self.address.scheme == "https":
            ssl_context = ssl.create_default_context()
        self.ssl_context = ssl_context
        self._token = token
        self._session: aiohttp.ClientSession | None = None
        self._reached: list[str] = []

    def move_to(self, address: ServerAddress) -> None:
        """Speak to the server at another address from the next request on. Raises ValueError for another scheme: what
        was spoken to over TLS is never spoken to without it."""
        if address.scheme != self.address.scheme:
            raise ValueError(f"{self.base_url} cannot move to {address.base_url}")
        self.address = address
        self._reached.clear()

    @property
    def host(self) -> str:
        """Name or address of the server's machine, without brackets."""
        return self.address.host

    @property
    def reached_at(self) -> str:
        """IP address at which the server answered last; its name while none has come up."""
        return self._reached[-1] if self._reached else self.host

    @property
    def port(self) -> int:
        """TCP port of the API."""
        return self.address.port

    @property
    def base_url(self) -> str:
        """What routes are appended to; ends without a slash."""
        return self.address.base_url

    @property
    def headers(self) -> Mapping[str, str]:
        """What every request to the server carries."""
        fixed = {"Accept-Encoding": "identity", "Cache-Control": "no-store, no-transform"}
        return fixed if self._token is None else fixed | {"Authorization": f"Bearer {self._token}"}

    async def identity(self) -> Identity:
        """Ask who the server is and what it can do. Raises TransferProblem; OtherProtocol for another version."""
        body = await self._ask("GET", "/v1/identity", Stage.IDENTITY)
        protocol = body.get("protocol") if isinstance(body, Mapping) else None
        if isinstance(protocol, int) and protocol != PROTOCOL_VERSION:
            raise self._other_protocol(body, protocol)
        with translated(Stage.IDENTITY, self.base_url):
            return Identity.from_json(body)

    @asynccontextmanager
    async def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AsyncIterator["Lease"]:
        """Wait for a lease, hold it over the block, and give it back however the block ends.

        Calls ``watch.waiting`` each second in the queue and ``watch.started`` when the lease is held. Raises
        TransferProblem when the server refuses, cannot be reached, or ``stop`` is set while waiting (kind ``stopped``).
        """
        state = self._lease_state(await self._ask("POST", "/v1/leases", Stage.LEASE, request.to_json()))
        lease = Lease(self, state)
        try:
            await lease.turn(watch, stop)
            watch.started()
            keeper = asyncio.create_task(lease.keep_alive(), name="lease keeper")
            try:
                yield lease
            finally:
                keeper.cancel()
                await asyncio.wait({keeper})
                if not keeper.cancelled():
                    keeper.result()
        finally:
            await lease.release()

    async def close(self) -> None:
        """Close what is open. The API may be used again afterwards."""
        session, self._session = self._session, None
        if session is not None:
            await session.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    def session(self) -> aiohttp.ClientSession:
        """The session of the API's own requests (payload connections have sessions of their own)."""
        if self._session is None:
            self._session = aiohttp.ClientSession(
                connector=_NotingConnector(self._reached, ssl=self.ssl_context or True),
                timeout=aiohttp.ClientTimeout(total=REQUEST_LIMIT_S, sock_connect=CONNECT_TIMEOUT_S),
                cookie_jar=aiohttp.DummyCookieJar(),
                headers=self.headers,
                trust_env=False,
            )
        return self._session

    async def ask_lease(self, lease_id: str) -> LeaseState:
        """Return the state of a lease, and keep it alive by asking."""
        return self._lease_state(await self._ask("GET", f"/v1/leases/{lease_id}", Stage.LEASE))

    async def end_lease(self, lease_id: str) -> None:
        """End a lease now."""
        await self._ask("DELETE", f"/v1/leases/{lease_id}", Stage.LEASE)

    async def begin_watch(self, agent: str) -> WatchState:
        """Get a pass for the server's reflector, beside everybody's leases. Raises TransferProblem."""
        return self._watch_state(await self._ask("POST", "/v1/watches", Stage.WATCH, WatchRequest(agent).to_json()))

    async def hear_watch(self, watch_id: str) -> WatchState:
        """Keep a pass by asking about it. Raises TransferProblem, of the kind LEASE_DENIED for an unknown one."""
        return self._watch_state(await self._ask("GET", f"/v1/watches/{watch_id}", Stage.WATCH))

    async def end_watch(self, watch_id: str) -> None:
        """Give a pass back. Raises TransferProblem."""
        await self._ask("DELETE", f"/v1/watches/{watch_id}", Stage.WATCH)

    async def _ask(self, method: str, route: str, stage: Stage, body: Mapping[str, Any] | None = None) -> Any:
        """Send one request and return the decoded JSON of its answer; None when the answer is empty by design."""
        with translated(stage, self.base_url):
            async with self.session().request(
                method, self.base_url + route, json=body, allow_redirects=False
            ) as response:
                answer = await self._bounded(response, stage)
                if not 200 <= response.status < 300:
                    raise refusal(stage, self.base_url, response.status, answer)
        if response.status == 204:
            return None
        try:
            return json.loads(answer)
        except ValueError as problem:
            raise not_ours(stage, self.base_url, f"{answer[:40]!r} is not JSON") from problem

    async def _bounded(self, response: aiohttp.ClientResponse, stage: Stage) -> bytes:
        answer = bytearray()
        async for part in response.content.iter_any():
            answer += part
            if len(answer) > MAX_ANSWER_BYTES:
                raise not_ours(stage, self.base_url, f"it is longer than {MAX_ANSWER_BYTES} bytes")
        return bytes(answer)

    def _lease_state(self, body: Any) -> LeaseState:
        with translated(Stage.LEASE, self.base_url):
            return LeaseState.from_json(body)

    def _watch_state(self, body: Any) -> WatchState:
        with translated(Stage.WATCH, self.base_url):
            return WatchState.from_json(body)

    def _other_protocol(self, body: Mapping[str, Any], protocol: int) -> OtherProtocol:
        newer, older = ("server", "agent") if protocol > PROTOCOL_VERSION else ("agent", "server")
        seen = (
            f"{Stage.IDENTITY} at {self.base_url}: sitetest-server {body.get('version', 'of unknown version')} speaks "
            f"protocol {protocol}, this agent speaks protocol {PROTOCOL_VERSION}"
        )
        return OtherProtocol(
            Failure(FailureKind.BAD_OUTPUT, seen),
            f"The {newer} is newer: install the same release of sitetest beside the {older} as well.",
        )


class _NotingConnector(aiohttp.TCPConnector):
    """Opens a connection for each request, and notes to which of the server's addresses the last one went: a name may
    stand for several, and what the server does for a lease it does for the address that asked for it."""

    def __init__(self, reached: list[str], *, ssl: ssl.SSLContext | bool) -> None:
        super().__init__(force_close=True, ssl=ssl)
        self._noted = reached

    async def connect(
        self, req: aiohttp.ClientRequest, traces: list[Any], timeout: aiohttp.ClientTimeout
    ) -> aiohttp.connector.Connection:
        connection = await super().connect(req, traces, timeout)
        name = None if connection.transport is None else connection.transport.get_extra_info("peername")
        if name is not None:
            self._noted[:] = [str(name[0])]
        return connection


class Lease:
    """A lease, or a place in the queue for one. state: what the server said last. server_address: IP address at which
    the lease was asked for."""

    def __init__(self, api: ServerApi, state: LeaseState) -> None:
        self._api = api
        self.state = state
        self.server_address = api.reached_at

    def transfer_url(self, direction: Direction, stream: int) -> str:
        """Return the URL of one payload stream, counted from 0."""
        return f"{self._api.base_url}/v1/transfer/{self.state.lease_id}/{direction}/{stream}"

    @property
    def reflector(self) -> Reflector | None:
        """Where round trips can be asked for while the lease is held; None where the server has no reflector."""
        port, token = self.state.reflector_port, self.state.reflector_token
        if port is None:
            return None
        return Reflector(self.server_address, port, None if token is None else bytes.fromhex(token))

    @property
    def ended(self) -> Failure | None:
        """Why the lease is over although we did not end it; None while it is held."""
        if self.state.phase != "ended":
            return None
        reason = self.state.reason or "the server does not say why"
        return Failure(FailureKind.LEASE_DENIED, f"lease at {self._api.base_url}: it ended under our feet: {reason}")

    async def samples(self) -> AsyncGenerator[Sample | EndLine, None]:
        """Yield what the server's end sees, live, until its EndLine. Raises TransferProblem."""
        timeout = aiohttp.ClientTimeout(total=None, sock_connect=CONNECT_TIMEOUT_S, sock_read=SAMPLES_SILENCE_S)
        url = f"{self._api.base_url}/v1/leases/{self.state.lease_id}/samples"
        with translated(Stage.SAMPLES, self._api.base_url):
            async with self._api.session().get(url, timeout=timeout, allow_redirects=False) as response:
                if response.status != 200:
                    raise refusal(Stage.SAMPLES, self._api.base_url, response.status, await response.content.read(4096))
                async for line in self._lines(response):
                    told = sample_line_from_json(json.loads(line))
                    yield told
                    if isinstance(told, EndLine):
                        return

    async def turn(self, watch: Watch, stop: asyncio.Event | None) -> None:
        """Wait in the queue until the lease is active."""
        clock = asyncio.get_running_loop().time
        answered_at_s = clock()
        while self.state.phase == "waiting":
            watch.waiting(self.state.place, self.state.wait_s, self.state.held_by)
            if await _set_within(stop, LEASE_POLL_S):
                raise TransferProblem(
                    Failure(FailureKind.STOPPED, f"{Stage.LEASE} at {self._api.base_url}: stopped while waiting")
                )
            try:
                self.state = await self._api.ask_lease(self.state.lease_id)
                answered_at_s = clock()
            except TransferProblem as problem:
                lost = problem.failure.kind in (FailureKind.LEASE_DENIED, FailureKind.REFUSED)
                if lost or clock() - answered_at_s > LEASE_SILENCE_S:
                    raise
        if self.ended is not None:
            raise TransferProblem(self.ended)

    async def keep_alive(self) -> None:
        """Ask about the lease until it ends."""
        while self.state.phase == "active":
            await asyncio.sleep(LEASE_POLL_S)
            await self.refresh()

    async def refresh(self) -> None:
        """Ask about the lease once. A network that fails here fails the transfer too, which is what reports it."""
        try:
            self.state = await self._api.ask_lease(self.state.lease_id)
        except TransferProblem as problem:
            if problem.failure.kind is FailureKind.LEASE_DENIED:
                self.state = replace(self.state, phase="ended", reason=problem.failure.message)

    async def release(self) -> None:
        """Give the lease back, within RELEASE_LIMIT_S, also when the task is cancelled meanwhile."""
        if self.state.phase == "ended":
            return
        task = asyncio.create_task(self._release(), name="lease release")
        cancelled: asyncio.CancelledError | None = None
        while not task.done():
            try:
                await asyncio.wait({task})
            except asyncio.CancelledError as again:
                cancelled = again
        task.result()
        if cancelled is not None:
            raise cancelled

    async def _release(self) -> None:
        try:
            async with asyncio.timeout(RELEASE_LIMIT_S):
                await self._api.end_lease(self.state.lease_id)
        except (TimeoutError, TransferProblem):
            return  # it ends by itself once nobody asks about it

    async def _lines(self, response: aiohttp.ClientResponse) -> AsyncIterator[bytes]:
        rest = bytearray()
        async for part in response.content.iter_any():
            rest += part
            if len(rest) > MAX_LINE_BYTES:
                raise not_ours(Stage.SAMPLES, self._api.base_url, f"a line is longer than {MAX_LINE_BYTES} bytes")
            if b"\n" not in part:
                continue
            *lines, last = rest.split(b"\n")
            rest = bytearray(last)
            for line in lines:
                if line.strip():
                    yield bytes(line)


async def _set_within(stop: asyncio.Event | None, limit_s: float) -> bool:
    """Sleep for ``limit_s``, or until ``stop`` is set; say whether it is."""
    if stop is None:
        await asyncio.sleep(limit_s)
        return False
    try:
        async with asyncio.timeout(limit_s):
            await stop.wait()
    except TimeoutError:
        return False
    return True
