"""What tests of the ``http`` engine share: a watch that keeps what it is told, and one transfer in one call.

May import the packages under test and the standard library only.
"""

import asyncio
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from sitetest.engines.base import Reflector, TransferResult, TransferSpec
from sitetest.engines.http import HttpEngine
from sitetest.engines.server_api import ServerApi
from sitetest_wire.samples import Sample

AGENT = "counter-laptop"


@dataclass(slots=True)
class KeepingWatch:
    """Keeps every call. on_sample: called with each sample, to act in the middle of a transfer. before, after: what is
    done with the idle path; the names of the two phases are kept in ``idle``."""

    waits: list[tuple[int, float, str | None]] = field(default_factory=list)
    starts: int = 0
    samples: list[Sample] = field(default_factory=list)
    on_sample: Callable[[Sample], None] = lambda sample: None
    before: Callable[[Reflector | None], Awaitable[None]] | None = None
    after: Callable[[], Awaitable[None]] | None = None
    idle: list[str] = field(default_factory=list)
    reflector: Reflector | None = None

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:
        """See Watch."""
        self.waits.append((place, wait_s, held_by))

    def started(self) -> None:
        """See Watch."""
        self.starts += 1

    async def idle_before(self, reflector: Reflector | None) -> None:
        """See Watch."""
        self.idle.append("before")
        self.reflector = reflector
        if self.before is not None:
            await self.before(reflector)

    def sample(self, sample: Sample) -> None:
        """See Watch."""
        self.samples.append(sample)
        self.on_sample(sample)

    async def idle_after(self) -> None:
        """See Watch."""
        self.idle.append("after")
        if self.after is not None:
            await self.after()


async def http_transfer(
    address: str,
    token: str | None,
    spec: TransferSpec,
    *,
    watch: KeepingWatch | None = None,
    stop: asyncio.Event | None = None,
    ssl_context: ssl.SSLContext | None = None,
) -> TransferResult:
    """Run one transfer with an engine made for it."""
    async with ServerApi(address, token, ssl_context=ssl_context) as api:
        return await HttpEngine(api, AGENT).transfer(spec, watch or KeepingWatch(), stop or asyncio.Event())


async def until(condition: Callable[[], bool], limit_s: float = 5.0) -> None:
    """Let the loop run until the condition holds; fail when it does not within the limit."""
    for _ in range(round(limit_s / 0.01)):
        if condition():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"not so within {limit_s} s")
