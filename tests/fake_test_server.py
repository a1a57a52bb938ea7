"""A test server in the test's own event loop that misbehaves on demand, for what a real one cannot be made to do.

The well-behaved server is the real one (`server_process.py`). May import sitetest_wire, aiohttp and the standard
library only.
"""

import asyncio
import json
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web
from aiohttp.test_utils import TestServer

from sitetest_wire.messages import EndLine, LeaseState, Problem
from sitetest_wire.samples import SAMPLE_PERIOD_S, Sample
from sitetest_wire.words import CountedAs

LEASE_ID = "lease-1"
IDENTITY: dict[str, Any] = {
    "server_id": "s1",
    "name": "counter-server",
    "version": "0.1.0",
    "protocol": 1,
    "engines": {"http": {"usable": True}},
    "limits": {},
}
BLOCK = bytes(65536)
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(slots=True)
class FakeTestServer:
    """states: what each question about the lease is answered with, the last one for ever. hooks: a handler by the end
    of its route (``identity``, ``download/1``, ``upload/0``, ``samples``, ``leases``) in place of the usual one.
    on_release: in place of the usual answer to DELETE. requests: method and path of every request so far. peers: the
    client's port of every payload connection.
    """

    url: str = ""
    states: list[LeaseState] = field(default_factory=lambda: [LeaseState(LEASE_ID, "active")])
    hooks: dict[str, Handler] = field(default_factory=dict)
    requests: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    peers: set[int] = field(default_factory=set)
    received: dict[int, int] = field(default_factory=dict)
    streams: int = 1
    open_streams: int = 0
    released: asyncio.Event = field(default_factory=asyncio.Event)
    on_release: Handler | None = None

    async def handle(self, request: web.Request) -> web.StreamResponse:
        """Answer whatever comes."""
        self.requests.append(f"{request.method} {request.path}")
        self.headers.append(dict(request.headers))
        for ending, hook in self.hooks.items():
            if request.path.endswith(ending) and request.method != "DELETE":
                return await hook(request)
        parts = request.path.strip("/").split("/")
        if parts[1:2] == ["identity"]:
            return web.json_response(IDENTITY)
        if parts[1:2] == ["transfer"]:
            assert request.transport is not None
            self.peers.add(request.transport.get_extra_info("peername")[1])
            self.open_streams += 1
            try:
                return await (self._download if parts[3] == "download" else self._upload)(request, int(parts[4]))
            finally:
                self.open_streams -= 1
        if parts[-1] == "samples":
            return await self.samples(request)
        if request.method == "DELETE":
            self.released.set()
            return web.Response(status=204) if self.on_release is None else await self.on_release(request)
        state = self.states.pop(0) if len(self.states) > 1 else self.states[0]
        return web.json_response(state.to_json(), status=201 if request.method == "POST" else 200)

    async def _download(self, request: web.Request, stream: int) -> web.StreamResponse:
        response = web.StreamResponse()
        await response.prepare(request)
        while True:
            await response.write(BLOCK)
            await asyncio.sleep(0.001)

    async def _upload(self, request: web.Request, stream: int) -> web.StreamResponse:
        async for part in request.content.iter_any():
            self.received[stream] = self.received.get(stream, 0) + len(part)
        return web.json_response({"received_bytes": self.received.get(stream, 0)})

    async def samples(self, request: web.Request) -> web.StreamResponse:
        """Send samples of what was received until every stream came and went, or the lease is released."""
        response = web.StreamResponse()
        await response.prepare(request)
        clock = asyncio.get_running_loop().time
        started_s = clock()
        over = False
        while not over:
            over = self.released.is_set() or (not self.open_streams and len(self.peers) >= self.streams)
            counts = tuple(self.received.get(stream, 0) for stream in range(self.streams))
            line = Sample(clock() - started_s, counts, CountedAs.RECEIVED).to_json()
            await response.write(json.dumps(line).encode() + b"\n")
            await asyncio.sleep(0 if over else SAMPLE_PERIOD_S)
        await response.write(json.dumps(EndLine().to_json()).encode() + b"\n")
        return response


def problem_handler(status: int, code: str, message: str = "no") -> Handler:
    """Return a handler that refuses as a test server does."""

    async def refuse(request: web.Request) -> web.StreamResponse:
        return web.json_response(Problem(code, message).to_json(), status=status)

    return refuse


def text_handler(status: int, text: str, **headers: str) -> Handler:
    """Return a handler that answers with plain text, as something that is not a test server does."""

    async def answer(request: web.Request) -> web.StreamResponse:
        return web.Response(status=status, text=text, headers=headers)

    return answer


@asynccontextmanager
async def fake_test_server(
    fake: FakeTestServer | None = None, *, tls: ssl.SSLContext | None = None
) -> AsyncIterator[FakeTestServer]:
    """Serve on a free port of loopback over the block."""
    fake = fake or FakeTestServer()
    app = web.Application(client_max_size=0)
    app.router.add_route("*", "/{path:.*}", fake.handle)
    server = TestServer(app, scheme="https" if tls else "http", host="127.0.0.1")
    await server.start_server(ssl=tls, shutdown_timeout=0.1)
    fake.url = str(server.make_url("")).rstrip("/")
    try:
        yield fake
    finally:
        fake.released.set()
        await server.close()
