"""Closes connections on which nothing is asked: half-open ones, port scans, heads that never end.

May import aiohttp and the standard library.
"""

import asyncio
from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import contextmanager
from typing import Protocol

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

LOOK_PERIOD_S = 1.0


class Connection(Hashable, Protocol):
    """What is needed of a connection of aiohttp's server."""

    @property
    def transport(self) -> asyncio.Transport | None:
        """Its transport; None when it is closed already."""


class IdleConnections:
    """Knows since when each connection has had no request in progress.

    clock: monotonic seconds. limit_s: how long that may be.
    """

    def __init__(self, clock: Callable[[], float], limit_s: float) -> None:
        self._clock = clock
        self._limit_s = limit_s
        self._busy: set[Hashable] = set()
        self._idle_since_s: dict[Connection, float] = {}

    @property
    def known(self) -> int:
        """How many idle connections were there at the last look."""
        return len(self._idle_since_s)

    @contextmanager
    def busy(self, connection: Hashable) -> Iterator[None]:
        """Hold a connection to be busy while the context is open."""
        self._busy.add(connection)
        try:
            yield
        finally:
            self._busy.discard(connection)

    def look(self, connections: Iterable[Connection]) -> None:
        """Look at all connections that there are; close those that have been idle for too long."""
        now_s = self._clock()
        idle = [connection for connection in connections if connection not in self._busy]
        self._idle_since_s = {connection: self._idle_since_s.get(connection, now_s) for connection in idle}
        for connection, since_s in self._idle_since_s.items():
            if now_s - since_s >= self._limit_s and connection.transport is not None:
                connection.transport.abort()

    async def run(self, server: web.Server) -> None:
        """Look once a second until cancelled."""
        while True:
            self.look(server.connections)
            await asyncio.sleep(LOOK_PERIOD_S)


def note_busy_connections(connections: IdleConnections) -> Middleware:
    """Return a middleware for which a connection is busy while a handler runs for it."""

    @web.middleware
    async def note(request: web.Request, handler: Handler) -> web.StreamResponse:
        with connections.busy(request.protocol):
            return await handler(request)

    return note
