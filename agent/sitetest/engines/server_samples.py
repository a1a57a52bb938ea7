"""Follows what the server's end sees of a transfer while the transfer runs.

May import sitetest_wire and the standard library only.
"""

import asyncio
from contextlib import aclosing
from types import TracebackType
from typing import Self

from sitetest.engines.base import Failure
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import Lease
from sitetest_wire.messages import EndLine
from sitetest_wire.samples import Sample


class ServerSamples:
    """The server's samples so far. Use as an async context manager; leaving it stops the following.

    end: the server's last line, None until it came. failure: why nothing more will come without one.
    """

    def __init__(self, lease: Lease) -> None:
        self.samples: list[Sample] = []
        self.end: EndLine | None = None
        self.failure: Failure | None = None
        self._lease = lease
        self._news = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        return self.end is not None or self.failure is not None

    async def news(self, limit_s: float) -> None:
        """Wait until something new has come, at most ``limit_s``."""
        try:
            async with asyncio.timeout(limit_s):
                await self._news.wait()
        except TimeoutError:
            return
        self._news.clear()

    async def wait_over(self, limit_s: float) -> None:
        """Wait for the server's last line, at most ``limit_s``."""
        if self._task is not None:
            await asyncio.wait({self._task}, timeout=limit_s)

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._follow(), name="server samples")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        task = self._task
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
            if not task.cancelled():
                task.result()

    async def _follow(self) -> None:
        try:
            async with aclosing(self._lease.samples()) as lines:
                async for line in lines:
                    if isinstance(line, EndLine):
                        self.end = line
                    else:
                        self.samples.append(line)
                    self._news.set()
        except TransferProblem as problem:
            self.failure = problem.failure
            self._news.set()
