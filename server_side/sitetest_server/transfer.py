"""The payload routes of the ``http`` engine.

Each handler lasts as long as its connection, and no longer than its lease: when the lease ends its activity breaks the
connection, which cancels the handler. What a client says of itself is never counted. May import sitetest_wire, aiohttp
and the standard library.
"""

import asyncio
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from aiohttp import hdrs, web

from sitetest_server.http_activity import HttpActivity, Stream, StreamRefused
from sitetest_server.refusals import Refusal
from sitetest_wire.dead_peer import abandon_dead_peer
from sitetest_wire.words import Direction

BLOCK_BYTES = 2**20
"""One write. Measured here: 1 MiB writes carry half as much again as 256 KiB ones."""

DEAD_PEER_S = 10.0
"""After how long without an answer the kernel gives a connection up."""


@cache
def payload() -> bytes:
    """Return one random block, made once: what cannot be compressed on the way."""
    return os.urandom(BLOCK_BYTES)


async def send_download(request: web.Request, activity: HttpActivity) -> web.StreamResponse:
    """Send payload until the client stops or the lease ends."""
    with _stream(request, activity, Direction.DOWNLOAD) as stream:
        _choose_congestion_control(stream.transport, activity.request.congestion_control)
        response = web.StreamResponse(
            headers={
                hdrs.CONTENT_TYPE: "application/octet-stream",
                hdrs.CACHE_CONTROL: "no-store, no-transform",
            }
        )
        response.enable_chunked_encoding()
        response.force_close()
        block = payload()[: BLOCK_BYTES if activity.pacer is None else activity.pacer.block_bytes]
        try:
            await response.prepare(request)
            while not activity.log.closed:
                if activity.pacer is not None:
                    await activity.pacer.take(len(block))
                await response.write(block)
                activity.count(stream, len(block))
                await asyncio.sleep(0)  # a receiver that keeps up must not starve the other streams
        except ConnectionError:
            pass  # the client has what it wanted
        return response


async def receive_upload(request: web.Request, activity: HttpActivity) -> web.StreamResponse:
    """Count payload until the client stops or the lease ends; answer with the bytes counted."""
    with _stream(request, activity, Direction.UPLOAD) as stream:
        pacer = activity.pacer
        try:
            if pacer is None:
                async for block in request.content.iter_any():
                    activity.count(stream, len(block))
            else:
                while block := await request.content.read(pacer.block_bytes):
                    await pacer.take(len(block))
                    activity.count(stream, len(block))
        except web.RequestPayloadError as problem:
            raise Refusal(400, "bad_request", f"the upload broke off: {problem}") from problem
        response = web.json_response({"received_bytes": stream.payload_bytes})
        response.force_close()
        return response


@contextmanager
def _stream(request: web.Request, activity: HttpActivity, direction: Direction) -> Iterator[Stream]:
    wanted = activity.request.direction
    if wanted is not direction:
        raise Refusal(409, "bad_request", f"this lease is for {wanted.value}, not for {direction.value}")
    if request.transport is None:
        raise Refusal(400, "bad_request", "the connection is gone")
    number = request.match_info["n"]
    if not (number.isascii() and number.isdecimal() and len(number) < 10):
        raise Refusal(400, "bad_request", f"a stream is named by a number from 0 on, not {number[:20]!r}")
    try:
        stream = activity.open_stream(int(number), request.transport)
    except StreamRefused as problem:
        raise Refusal(409, "bad_request", str(problem)) from problem
    try:
        _abandon_when_dead(request.transport)
        yield stream
    finally:
        activity.close_stream(stream)


def _abandon_when_dead(transport: asyncio.Transport) -> None:
    sock = transport.get_extra_info("socket")
    if sock is not None and sock.fileno() >= 0:
        abandon_dead_peer(sock, DEAD_PEER_S)


def _choose_congestion_control(transport: asyncio.Transport, name: str | None) -> None:
    if name is None:
        return
    option = getattr(socket, "TCP_CONGESTION", None)
    try:
        if option is None:
            raise OSError("this system has no such option")
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, option, name.encode())
    except OSError as problem:
        raise Refusal(409, "limit", f"congestion control {name} cannot be set here: {problem}") from problem
