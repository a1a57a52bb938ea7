"""Idle connections: a connection on which nothing is asked does not stay for ever. On a fake clock."""

import asyncio

from sitetest_server.idle_connections import IdleConnections


class FakeTransport(asyncio.Transport):
    aborted = False

    def abort(self) -> None:
        self.aborted = True


class FakeConnection:
    def __init__(self) -> None:
        self.transport: FakeTransport | None = FakeTransport()


def aborted(connection: FakeConnection) -> bool:
    assert connection.transport is not None
    return connection.transport.aborted


def test_a_silent_connection_is_closed_at_the_limit_and_not_before() -> None:
    now_s = 0.0
    connections = IdleConnections(lambda: now_s, 30.0)
    silent = FakeConnection()
    connections.look([silent])
    now_s = 29.9
    connections.look([silent])
    assert not aborted(silent)
    now_s = 30.0
    connections.look([silent])
    assert aborted(silent)


def test_a_request_in_progress_keeps_a_connection_however_long_it_takes() -> None:
    now_s = 0.0
    connections = IdleConnections(lambda: now_s, 30.0)
    busy = FakeConnection()
    with connections.busy(busy):
        for now_s in range(0, 4000, 20):  # noqa: B007  # the clock reads it
            connections.look([busy])
    assert not aborted(busy)


def test_idleness_counts_from_the_end_of_the_last_request() -> None:
    now_s = 0.0
    connections = IdleConnections(lambda: now_s, 30.0)
    one = FakeConnection()
    connections.look([one])
    now_s = 25.0
    with connections.busy(one):
        connections.look([one])
    connections.look([one])
    now_s = 54.0
    connections.look([one])
    assert not aborted(one)
    now_s = 55.0
    connections.look([one])
    assert aborted(one)


def test_a_connection_that_closed_by_itself_is_forgotten() -> None:
    now_s = 0.0
    connections = IdleConnections(lambda: now_s, 30.0)
    gone = FakeConnection()
    connections.look([gone])
    gone.transport = None
    now_s = 40.0
    connections.look([gone])
    connections.look([])
    assert connections.known == 0
