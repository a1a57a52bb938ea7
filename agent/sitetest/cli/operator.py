"""The person in the room: asked to switch the AP config, to take the laptop off the network and back on, or what to do
about a laptop that is on another radio than the site declares.

One key (Enter) says that it is done. When the input ends, nobody is there any more: the run is asked to stop, which
keeps what is measured. May import plan.cases, visit, report and the standard library only.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AbstractContextManager
from types import MappingProxyType
from typing import Protocol

from sitetest.plan.cases import Turn
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.protocols import RadioAnswer

RADIO_ANSWERS = {
    "": RadioAnswer.LOOK_AGAIN,
    "look": RadioAnswer.LOOK_AGAIN,
    "g": RadioAnswer.GO_ON,
    "go": RadioAnswer.GO_ON,
    "s": RadioAnswer.STOP,
    "stop": RadioAnswer.STOP,
}


class PromptScreen(Protocol):
    """Where a question is shown."""

    def paused(self) -> AbstractContextManager[None]:
        """Give the terminal to the question for a while."""

    def say(self, text: str) -> None:
        """Show one message."""


class TypingOperator:
    """A person at the keyboard. ``next_line`` returns None when the input has ended; ``stop`` is then set.

    turns: planned for the visit. access_points: name of the access point of each AP config; empty where there is only
    one and it need not be told.
    """

    def __init__(
        self,
        screen: PromptScreen,
        next_line: Callable[[], Awaitable[str | None]],
        stop: asyncio.Event,
        *,
        turns: int = 0,
        access_points: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self._screen = screen
        self._next_line = next_line
        self._stop = stop
        self._turns = turns
        self._access_points = access_points

    async def switch_to(self, turn: Turn) -> None:
        """Ask for the AP config of a turn; return when the person says that it is applied, or the run is stopping."""
        await self._ask(
            f"{self._turn_words(turn)}Now set {self._access_point_words(turn)} to AP config:  {turn.ap_config}\n"
            "Wait until the laptop is back on its network, then press Enter (Ctrl-C stops the run)."
        )

    def _turn_words(self, turn: Turn) -> str:
        if not self._turns:
            return ""
        return f"Turn {turn.number} of {self._turns}. " if turn.number <= self._turns else "One more turn. "

    def _access_point_words(self, turn: Turn) -> str:
        name = self._access_points.get(turn.ap_config)
        return f"the access point {name}" if name else "the access point"

    async def reassociate(self, turn: Turn) -> bool:
        """Ask for a fresh association; False when nobody is there to ask."""
        return await self._ask(
            f"Take the laptop off the network and back on, for a fresh start with {turn.ap_config}.\n"
            "Then press Enter (Ctrl-C stops the run)."
        )

    async def wrong_radio(self, turn: Turn, mismatch: Mismatch) -> RadioAnswer:
        """Ask until one of the three answers comes; STOP when nobody is there to ask."""
        question = (
            f"{mismatch.sentence}\n"
            "Look again, go on all the same, or stop?\n"
            "  Enter  look again, once the laptop is on the right one\n"
            f"  g      go on: turn {turn.number} is measured, kept and flagged as in doubt: no verdict uses it\n"
            "  s      stop; if profiles/site.toml is what is wrong, correct it, then use --resume"
        )
        while (typed := await self._typed(question)) is not None:
            answer = RADIO_ANSWERS.get(typed.strip().lower())
            if answer is not None:
                return answer
            question = f"{typed!r} is none of the three. Enter: look again; g: go on; s: stop."
        return RadioAnswer.STOP

    async def _ask(self, question: str) -> bool:
        return await self._typed(question) is not None

    async def _typed(self, question: str) -> str | None:
        with self._screen.paused():
            for line in question.splitlines():
                self._screen.say(line)
            answer = await self._answer()
            if answer is None and not self._stop.is_set():
                self._screen.say("The input has ended, so nobody can answer: stopping. What is measured is kept.")
                self._stop.set()
        return answer

    async def _answer(self) -> str | None:
        typed = asyncio.ensure_future(self._next_line())
        stopped = asyncio.ensure_future(self._stop.wait())
        try:
            await asyncio.wait({typed, stopped}, return_when=asyncio.FIRST_COMPLETED)
            return typed.result() if typed.done() else None
        finally:
            typed.cancel()
            stopped.cancel()
