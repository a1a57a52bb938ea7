"""The HTTP application: the routes of sitetest_wire.messages, over a LeaseDesk and a WatchDesk.

Every answer but payload and samples is one JSON document; every refusal is a Problem. May import sitetest_wire,
aiohttp and the standard library.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import suppress

from aiohttp import hdrs, web

from sitetest_server import limits, refusals
from sitetest_server.access import require_token
from sitetest_server.engine_host import HostError
from sitetest_server.http_activity import HttpActivity
from sitetest_server.idle_connections import IdleConnections, note_busy_connections
from sitetest_server.lease_desk import LeaseDesk
from sitetest_server.leases import Caller, Lease, QueueFull, UnknownLease
from sitetest_server.refusals import Refusal
from sitetest_server.transfer import receive_upload, send_download
from sitetest_server.watch_desk import NoReflector, TooManyWatches, UnknownWatch, WatchDesk
from sitetest_wire.messages import (
    LEASE_SILENCE_S,
    EndLine,
    Identity,
    LeaseRequest,
    LeaseState,
    MessageError,
    WatchRequest,
)
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction, EngineName

IDLE_CONNECTIONS = web.AppKey("idle_connections", IdleConnections)
"""For whoever runs the application, who alone knows its connections."""


def make_app(
    identity: Callable[[], Identity], token: str, desk: LeaseDesk, watches: WatchDesk, clock: Callable[[], float]
) -> web.Application:
    """Return the application. identity: asked anew each time, as engines may come and go."""
    connections = IdleConnections(clock, limits.IDLE_CONNECTION_S)
    app = web.Application(
        middlewares=[note_busy_connections(connections), refusals.refuse_in_json, require_token(token)],
        client_max_size=limits.MAX_BODY_BYTES,
    )
    app[IDLE_CONNECTIONS] = connections
    routes = _Routes(identity, desk, watches)
    for method, path, handler in (
        (hdrs.METH_GET, "/v1/identity", routes.identity),
        (hdrs.METH_GET, "/v1/leases", routes.list_leases),
        (hdrs.METH_POST, "/v1/leases", routes.ask_lease),
        (hdrs.METH_GET, "/v1/leases/{id}", routes.hear_lease),
        (hdrs.METH_DELETE, "/v1/leases/{id}", routes.release_lease),
        (hdrs.METH_GET, "/v1/leases/{id}/samples", routes.follow_samples),
        (hdrs.METH_POST, "/v1/watches", routes.begin_watch),
        (hdrs.METH_GET, "/v1/watches/{id}", routes.hear_watch),
        (hdrs.METH_DELETE, "/v1/watches/{id}", routes.end_watch),
        (hdrs.METH_GET, "/v1/transfer/{id}/download/{n}", routes.download),
        (hdrs.METH_POST, "/v1/transfer/{id}/upload/{n}", routes.upload),
    ):
        app.router.add_route(method, path, handler, expect_handler=refusals.refuse_expectation)

    async def look_after(_app: web.Application) -> AsyncIterator[None]:
        task = asyncio.create_task(desk.run(), name="leases")
        yield
        task.cancel()
        await asyncio.wait([task])

    async def end_leases(_app: web.Application) -> None:
        await desk.stop()

    app.cleanup_ctx.append(look_after)
    app.on_shutdown.append(end_leases)
    return app


class _Routes:
    def __init__(self, identity: Callable[[], Identity], desk: LeaseDesk, watches: WatchDesk) -> None:
        self._identity = identity
        self._desk = desk
        self._watches = watches

    async def identity(self, _request: web.Request) -> web.Response:
        return web.json_response(self._identity().to_json())

    async def list_leases(self, _request: web.Request) -> web.Response:
        return web.json_response([_without_id(state) for state in self._desk.states()])

    async def ask_lease(self, request: web.Request) -> web.Response:
        wish = LeaseRequest.from_json(await _json_body(request))
        self._check(wish)
        try:
            state = await self._desk.ask(wish, _caller(request))
        except QueueFull as problem:
            raise Refusal(503, "busy", f"{problem}; try again later") from problem
        except HostError as problem:
            raise Refusal(503, "engine", str(problem)) from problem
        return web.json_response(state.to_json(), status=202 if state.phase == "waiting" else 201)

    async def hear_lease(self, request: web.Request) -> web.Response:
        try:
            return web.json_response((await self._desk.hear(request.match_info["id"])).to_json())
        except UnknownLease as problem:
            raise _no_lease() from problem

    async def release_lease(self, request: web.Request) -> web.Response:
        try:
            self._desk.release(request.match_info["id"])
        except UnknownLease as problem:
            raise _no_lease() from problem
        return web.Response(status=204)

    async def follow_samples(self, request: web.Request) -> web.StreamResponse:
        lease = self._lease(request)
        activity = self._desk.activity(lease.lease_id)
        if activity is None:
            raise Refusal(409, "no_lease", f"this lease is {lease.phase} and has no samples: it was not active yet")
        response = web.StreamResponse(
            headers={hdrs.CONTENT_TYPE: "application/x-ndjson", hdrs.CACHE_CONTROL: "no-store, no-transform"}
        )
        await response.prepare(request)
        # A reader that takes nothing for as long as a silent agent may live is not waited for either.
        with suppress(ConnectionError, TimeoutError):
            async for entry in activity.log.follow():
                async with asyncio.timeout(LEASE_SILENCE_S):
                    await response.write(_line(entry))
            await response.write_eof()
            return response
        response.force_close()
        if request.transport is not None:
            request.transport.abort()
        return response

    async def begin_watch(self, request: web.Request) -> web.Response:
        wish = WatchRequest.from_json(await _json_body(request))
        try:
            return web.json_response(self._watches.begin(wish, _caller(request)).to_json(), status=201)
        except TooManyWatches as problem:
            raise Refusal(503, "busy", f"{problem}; try again later") from problem
        except NoReflector as problem:
            text = f"{problem}; its operator can name a port with --reflector-port"
            raise Refusal(501, "no_reflector", text) from problem

    async def hear_watch(self, request: web.Request) -> web.Response:
        try:
            return web.json_response(self._watches.hear(request.match_info["id"]).to_json())
        except UnknownWatch as problem:
            raise _no_watch() from problem

    async def end_watch(self, request: web.Request) -> web.Response:
        try:
            self._watches.end(request.match_info["id"])
        except UnknownWatch as problem:
            raise _no_watch() from problem
        return web.Response(status=204)

    async def download(self, request: web.Request) -> web.StreamResponse:
        return await send_download(request, self._http_activity(request, Direction.DOWNLOAD))

    async def upload(self, request: web.Request) -> web.StreamResponse:
        return await receive_upload(request, self._http_activity(request, Direction.UPLOAD))

    def _lease(self, request: web.Request) -> Lease:
        try:
            return self._desk.lease(request.match_info["id"])
        except UnknownLease as problem:
            raise _no_lease() from problem

    def _http_activity(self, request: web.Request, direction: Direction) -> HttpActivity:
        lease = self._lease(request)
        if lease.phase == "ended":
            raise Refusal(410, "no_lease", f"this lease has ended: {lease.reason}; ask for a new one")
        activity = self._desk.activity(lease.lease_id)
        if activity is None:
            raise Refusal(409, "no_lease", "this lease is waiting for its turn; ask for its state until it is active")
        if not isinstance(activity, HttpActivity):
            raise Refusal(409, "engine", f"this lease is for the iperf3 engine; {direction.value} here is http's")
        return activity

    def _check(self, wish: LeaseRequest) -> None:
        identity = self._identity()
        try:
            limits.check(wish, identity.limits)
        except limits.OverLimit as problem:
            raise Refusal(422, "limit", str(problem)) from problem
        offer = identity.engines[wish.engine]
        if not offer.usable:
            raise Refusal(501, "engine", f"engine {wish.engine.value} is not served here: {offer.reason}")
        sends = wish.direction is Direction.DOWNLOAD or wish.engine is EngineName.IPERF3
        if sends and wish.congestion_control is not None and wish.congestion_control not in identity.congestion_control:
            allowed = ", ".join(identity.congestion_control) or "none, leave it out"
            raise Refusal(
                422,
                "limit",
                f"congestion_control is {wish.congestion_control[:40]!r}, this server's kernel allows: {allowed}",
            )


def _caller(request: web.Request) -> Caller:
    """Both ends of the connection; what a client says of itself is not asked."""
    transport = request.transport
    if transport is None:
        return Caller()
    agent, own = transport.get_extra_info("peername"), transport.get_extra_info("sockname")
    return Caller(None if agent is None else str(agent[0]), None if own is None else str(own[0]))


async def _json_body(request: web.Request) -> object:
    try:
        async with asyncio.timeout(limits.BODY_TIMEOUT_S):
            body = await request.read()
    except TimeoutError as problem:
        raise Refusal(408, "bad_request", f"the body did not arrive within {limits.BODY_TIMEOUT_S:g} s") from problem
    except web.RequestPayloadError as problem:
        raise Refusal(400, "bad_request", f"the body broke off: {problem}") from problem
    try:
        return json.loads(body)
    except (ValueError, RecursionError) as problem:
        raise MessageError(f"the body is not JSON: {problem}") from problem


def _line(entry: Sample | EndLine) -> bytes:
    return json.dumps(entry.to_json(), separators=(",", ":")).encode() + b"\n"


def _no_lease() -> Refusal:
    return Refusal(404, "no_lease", "there is no such lease, or it ended a while ago; ask for a new one")


def _no_watch() -> Refusal:
    return Refusal(404, "no_watch", "there is no such pass, or it has ended; ask for a new one")


def _without_id(state: LeaseState) -> dict[str, object]:
    return {key: value for key, value in state.to_json().items() if key != "lease_id"}
