"""``--metrics-port N``: how a soak stands, for a collector of metrics on this machine. Off unless it is asked for.

Listens on 127.0.0.1 and nowhere else, and answers only who asks for this machine by a name of its own: a page in a
browser that had its name pointed here (DNS rebinding) is refused.

May import cli.soak_metrics, visit.soak.state, errors, aiohttp and the standard library only.
"""

import errno
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from urllib.parse import urlsplit

from aiohttp import web

from sitetest.cli.soak_metrics import CONTENT_TYPE, exposition
from sitetest.errors import UsageError
from sitetest.visit.soak.state import StateFollower

LOOPBACK = "127.0.0.1"
OWN_NAMES = frozenset({LOOPBACK, "localhost"})
PATH = "/metrics"
CLOSING_LIMIT_S = 1.0


@asynccontextmanager
async def metrics_endpoint(port: int, follower: StateFollower) -> AsyncIterator[str]:
    """Serve inside the block; give the URL. port: 0 for any free one. Raises UsageError when it cannot be had."""
    try:
        listening = socket.create_server((LOOPBACK, port))
    except OSError as problem:
        taken = problem.errno == errno.EADDRINUSE
        raise UsageError(
            f"Metrics cannot be served on port {port} of this machine ({LOOPBACK}): "
            + ("another program has it." if taken else f"{problem.strerror}."),
            "Name another one, or 0 for any that is free: --metrics-port 0.",
        ) from problem
    app = web.Application()
    app.router.add_get(PATH, _answer_of(follower))
    runner = web.AppRunner(app, access_log=None, handle_signals=False, shutdown_timeout=CLOSING_LIMIT_S)
    try:
        await runner.setup()
        await web.SockSite(runner, listening).start()
        yield f"http://{LOOPBACK}:{listening.getsockname()[1]}{PATH}"
    finally:
        await runner.cleanup()
        listening.close()


def _answer_of(follower: StateFollower) -> Callable[[web.Request], Awaitable[web.Response]]:
    async def answer(request: web.Request) -> web.Response:
        if _name_in(request.host) not in OWN_NAMES:
            raise web.HTTPMisdirectedRequest(text=f"Ask for {LOOPBACK} or localhost.\n")
        return web.Response(body=exposition(follower.state), headers={"Content-Type": CONTENT_TYPE})

    return answer


def _name_in(host: str) -> str | None:
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None
