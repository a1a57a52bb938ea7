"""The server's application in this process, on a real socket, with a clock to push on and a fake iperf3 host.

    async with server_app() as app:
        await app.client.get("/v1/identity")

May import the server, aiohttp and the standard library.
"""

import asyncio
import itertools
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import aiohttp

from sitetest_server.app import make_app
from sitetest_server.engine_host import HostError
from sitetest_server.host_facts import system_sources
from sitetest_server.host_watch import Machine
from sitetest_server.http_serving import serving
from sitetest_server.identity import describe
from sitetest_server.lease_desk import LeaseDesk, RoundTrips
from sitetest_server.listener import listen
from sitetest_server.simulated_link import SimulatedLink
from sitetest_server.watch_desk import WatchDesk
from sitetest_wire.messages import EndLine, EngineOffer, LeaseRequest, Limits
from sitetest_wire.samples import Sample
from sitetest_wire.stamp_token import TOKEN_BYTES

TOKEN = "a-token-for-tests"
HEADERS = {"Authorization": f"Bearer {TOKEN}"}


class PushedClock:
    """The monotonic clock, plus what it was pushed on by."""

    def __init__(self) -> None:
        self.pushed_s = 0.0

    def __call__(self) -> float:
        return time.monotonic() + self.pushed_s


class FakeRun:
    """An iperf3 host that ends when the test says so."""

    port = 17999
    local_address: str | None = "127.0.0.1"

    def __init__(self) -> None:
        self.end: asyncio.Future[EndLine] = asyncio.get_running_loop().create_future()
        self.killed = False

    async def finished(self) -> EndLine:
        return await asyncio.shield(self.end)

    async def kill(self) -> None:
        self.killed = True


@dataclass
class FakeHost:
    """failure: what start is to complain of. runs: what was started."""

    failure: str | None = None
    usable: bool = True
    runs: list[FakeRun] = field(default_factory=list)
    on_sample: list[Callable[[Sample], None]] = field(default_factory=list)
    only_from: list[str | None] = field(default_factory=list)
    gate: asyncio.Event | None = None

    def offer(self) -> EngineOffer:
        return EngineOffer(self.usable, "fake", None if self.usable else "it is not installed")

    async def start(
        self, request: LeaseRequest, on_sample: Callable[[Sample], None], *, only_from: str | None = None
    ) -> FakeRun:
        if self.gate is not None:
            await self.gate.wait()
        if self.failure is not None:
            raise HostError(self.failure)
        self.runs.append(FakeRun())
        self.on_sample.append(on_sample)
        self.only_from.append(only_from)
        return self.runs[-1]


@dataclass(frozen=True)
class ServerApp:
    """A running application; the client shows the token and opens a new connection a request."""

    client: aiohttp.ClientSession
    port: int
    clock: PushedClock
    host: FakeHost
    desk: LeaseDesk

    async def lease(self, **changes: Any) -> str:
        """Ask for a lease that must be given, or a place in the queue, and return its id."""
        async with self.client.post("/v1/leases", json=lease_request(**changes)) as answer:
            body = await answer.json()
            assert answer.status in (201, 202), body
            return str(body["lease_id"])

    async def problem_code(self, method: str, path: str, **options: Any) -> tuple[int, str]:
        """Return status and code of an answer that must be a Problem."""
        async with self.client.request(method, path, **options) as answer:
            body = await answer.json()
            assert set(body) == {"error"}
            assert set(body["error"]) == {"code", "message"}
            assert body["error"]["message"]
            return answer.status, body["error"]["code"]


def lease_request(**changes: Any) -> dict[str, Any]:
    """Return a sound request for a short http download, with changes."""
    sound = {
        "agent": "counter-laptop",
        "engine": "http",
        "direction": "download",
        "streams": 1,
        "warm_up_s": 0,
        "duration_s": 5,
    }
    return sound | changes


@asynccontextmanager
async def server_app(
    *,
    limits: Limits | None = None,
    parallel: int = 1,
    link: SimulatedLink | None = None,
    host: FakeHost | None = None,
    reflector: RoundTrips | None = None,
    clock: PushedClock | None = None,
) -> AsyncIterator[ServerApp]:
    """Run the application on loopback while the context is open."""
    limits, host, clock = limits or Limits(), host or FakeHost(), clock or PushedClock()
    numbers = itertools.count(1)
    desk = LeaseDesk(
        limits=limits,
        host=host,
        link=link,
        clock=clock,
        cpu_clock=time.process_time,
        new_id=lambda: f"lease{next(numbers)}",
        machine=Machine(replace(system_sources(), clock=clock)),
        reflector=reflector,
        new_token=lambda: secrets.token_bytes(TOKEN_BYTES),
        parallel=parallel,
    )
    app = make_app(
        lambda: describe(
            server_id="0123456789abcdef",
            name="till-room",
            limits=limits,
            host=host,
            simulated=link is not None,
            congestion_control=("cubic", "reno"),
            reflector_port=None if reflector is None else reflector.port,
        ),
        TOKEN,
        desk,
        WatchDesk(
            reflector,
            clock=clock,
            new_id=lambda: f"watch{next(numbers)}",
            new_token=lambda: secrets.token_bytes(TOKEN_BYTES),
        ),
        clock,
    )
    sock = listen("127.0.0.1", 0)
    port = int(sock.getsockname()[1])
    async with (
        serving(app, [sock]),
        aiohttp.ClientSession(
            f"http://127.0.0.1:{port}",
            headers=HEADERS,
            connector=aiohttp.TCPConnector(limit=0, force_close=True),
            timeout=aiohttp.ClientTimeout(total=20),
        ) as client,
    ):
        yield ServerApp(client, port, clock, host, desk)
