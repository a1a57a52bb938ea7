"""The path while a lease is held and no payload moves: before the load, and after it.

    lease held -- idle_before -- payload connections, load, common stop -- idle_after -- lease given back

Whoever measures may use both phases (:class:`sitetest.engines.base.Watch`). A stop ends either at once. Nothing is
asked for after a load that failed, for then the path is broken rather than idle, or after the lease is lost. May import
engines.base and the standard library only.
"""

import asyncio
from collections.abc import Coroutine
from typing import Any

from sitetest.engines.base import Failure, FailureKind, Reflector, Watch


async def before_load(watch: Watch, reflector: Reflector | None, stop: asyncio.Event, where: str) -> Failure | None:
    """Give the watch the idle path; return when the load may begin (None), or why it must not (``stop`` is set)."""
    await _unless_stopped(watch.idle_before(reflector), stop)
    return Failure(FailureKind.STOPPED, f"{where}: stopped before it began") if stop.is_set() else None


async def after_load(
    watch: Watch, stop: asyncio.Event, failure: Failure | None, lease_ended: Failure | None = None
) -> None:
    """Give the watch the path that is idle again, after a load that went to its end or to its cap."""
    at_its_end = failure is None or failure.kind is FailureKind.DATA_CAP
    if at_its_end and lease_ended is None and not stop.is_set():
        await _unless_stopped(watch.idle_after(), stop)


async def _unless_stopped(phase: Coroutine[Any, Any, None], stop: asyncio.Event) -> None:
    """Run a phase to its end or until ``stop`` is set; nothing of it is left, also when we are cancelled meanwhile."""
    running = asyncio.create_task(phase, name="idle path")
    stopping = asyncio.create_task(stop.wait(), name="stop of an idle path")
    try:
        await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        running.cancel()
        stopping.cancel()
        await asyncio.wait({running, stopping})
    if not running.cancelled():
        running.result()
