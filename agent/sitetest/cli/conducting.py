"""Runs what a conductor conducts, with its screen, until it is over or a person has had enough.

May import cli.interrupts and the standard library only.
"""

import asyncio
from collections.abc import Coroutine
from contextlib import AbstractContextManager
from typing import Any, Protocol, TypeVar

from sitetest.cli.interrupts import Interrupts, on_interrupt

Outcome = TypeVar("Outcome")


class StoppableScreen(AbstractContextManager[Any], Protocol):
    """Where it is shown."""

    def stop_asked(self) -> None:
        """Take note that the person wants to stop."""

    def say(self, text: str) -> None:
        """Show one message now."""


async def conducted(
    visit: Coroutine[Any, Any, Outcome], stop: asyncio.Event, screen: StoppableScreen
) -> Outcome | None:
    """Run a visit under Ctrl-C and SIGTERM; None when it was stopped at once. stop: set by the first of them."""
    running = asyncio.create_task(visit, name="visit")

    def said(text: str) -> None:
        screen.stop_asked()
        screen.say(text)

    interrupts = Interrupts(stop, running, said)
    with screen, on_interrupt(interrupts.press):
        try:
            return await running
        except asyncio.CancelledError:
            if not interrupts.stopped_at_once:
                raise
            return None
