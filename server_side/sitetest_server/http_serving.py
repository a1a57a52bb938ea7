"""Runs the application on listening sockets, with the options that its handlers count on.

May import aiohttp and the standard library.
"""

import asyncio
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from socket import socket

from aiohttp import web

from sitetest_server.app import IDLE_CONNECTIONS
from sitetest_server.limits import IDLE_CONNECTION_S

SHUTDOWN_TIMEOUT_S = 0.5
"""How long a request in progress may go on when the server is stopped."""

LINGERING_S = 1.0
"""How long the rest of a refused upload is read, so that the client gets to see the answer."""

READ_BUFFER_BYTES = 2**20
"""What one connection may have received and not yet counted. Measured: 1 MiB carries more than the default 256 KiB."""


@asynccontextmanager
async def serving(
    app: web.Application,
    sockets: Sequence[socket],
    tls: ssl.SSLContext | None = None,
    read_buffer_bytes: int = READ_BUFFER_BYTES,
) -> AsyncIterator[None]:
    """Serve on the sockets (which are closed at the end) while the context is open."""
    runner = web.AppRunner(
        app,
        handler_cancellation=True,  # a client that went away does not pin its handler
        auto_decompress=False,  # bytes are counted as they came
        read_bufsize=read_buffer_bytes,
        access_log=None,
        lingering_time=LINGERING_S,
        keepalive_timeout=IDLE_CONNECTION_S,
        shutdown_timeout=SHUTDOWN_TIMEOUT_S,
    )
    await runner.setup()
    assert runner.server is not None
    watcher = asyncio.create_task(app[IDLE_CONNECTIONS].run(runner.server), name="idle connections")
    try:
        for sock in sockets:
            await web.SockSite(runner, sock, ssl_context=tls).start()
        yield
    finally:
        watcher.cancel()
        await asyncio.wait([watcher])
        await runner.cleanup()
