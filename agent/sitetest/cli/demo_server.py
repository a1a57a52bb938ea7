"""A sitetest-server as a child process on loopback, for the demonstration. It never outlives the block it serves.

It keeps its id in a folder of its own and announces itself to nobody. May import errors, the demo's site and the
standard library only.
"""

import asyncio
import os
import secrets
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from sitetest.errors import ServerUnreachable

START_LIMIT_S = 20.0
"""How long the server may take to say that it is ready: a cold start of Python on a slow disk."""

STOP_LIMIT_S = 5.0
"""How long it may take to stop by itself before it is killed."""


@dataclass(frozen=True, slots=True)
class DemoServer:
    """Where it listens, and the token that it was given."""

    address: str
    token: str


@asynccontextmanager
async def demo_server(link: Path) -> AsyncIterator[DemoServer]:
    """Run the server over the block. link: the simulated link's file. Raises ServerUnreachable if it does not start."""
    token = secrets.token_urlsafe(18)
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "sitetest_server",
        "--bind", "127.0.0.1", "--port", "0", "--no-announce", "--name", "demo", "--simulate-link", str(link),
        stdin=PIPE,
        stdout=PIPE,
        stderr=PIPE,
        env={**os.environ, "SITETEST_TOKEN": token, "XDG_STATE_HOME": str(link.parent / "server")},
        start_new_session=os.name == "posix",  # Ctrl-C is for the run, which then ends the server itself
    )  # fmt: skip
    said: list[bytes] = []
    assert process.stderr is not None
    listening = asyncio.create_task(_gather(process.stderr, said))
    try:
        yield DemoServer(await _ready_address(process, said), token)
    finally:
        await _end(process)
        await listening


async def _ready_address(process: Process, said: list[bytes]) -> str:
    assert process.stdout is not None
    line = b""
    with suppress(TimeoutError):
        async with asyncio.timeout(START_LIMIT_S):
            line = await process.stdout.readline()
    for word in line.decode("utf-8", "replace").split():
        if word.startswith("http://"):
            return word
    words = b"".join(said).decode("utf-8", "replace").strip()
    raise ServerUnreachable(
        f"The demonstration's own server did not start within {START_LIMIT_S:g} s: {words or 'it said nothing'}",
        "Run `sitetest-server --bind 127.0.0.1` by hand to see what is in its way.",
    )


async def _gather(stream: asyncio.StreamReader, said: list[bytes]) -> None:
    while part := await stream.read(4096):
        said.append(part)


async def _end(process: Process) -> None:
    """Ask it to stop, then make it."""
    if process.returncode is None:
        with suppress(ProcessLookupError):
            process.terminate()
        try:
            async with asyncio.timeout(STOP_LIMIT_S):
                await process.wait()
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
    await process.wait()
