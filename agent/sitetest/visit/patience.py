"""How long the visit waits for what, and the wait for a server to answer.

May import visit, plan and the standard library only.
"""

from dataclasses import dataclass

from sitetest.plan.cases import Leg
from sitetest.visit.protocols import Clock, Path
from sitetest.visit.stoppable import Stoppable


@dataclass(frozen=True, slots=True)
class Patience:
    """Limits in seconds.

    path_s: for a lost path to come back. back_s: for the server to answer again at the begin of a turn; after that the
    attempts are made all the same, and fail as they must. first_pause_s, longest_pause_s: between two questions,
    doubling. apply_tries, apply_pause_s: for an apply command that fails. Engineering choices, no source: an access
    point that restarts takes one to three minutes.
    """

    path_s: float = 600.0
    back_s: float = 180.0
    first_pause_s: float = 0.5
    longest_pause_s: float = 15.0
    apply_tries: int = 3
    apply_pause_s: float = 5.0


class AnswerWait:
    """Waits for the server of one leg, with growing pauses."""

    def __init__(self, path: Path, leg: Leg, patience: Patience, clock: Clock, stoppable: Stoppable) -> None:
        self._path = path
        self._leg = leg
        self._patience = patience
        self._clock = clock
        self._stoppable = stoppable

    async def answers(self) -> bool:
        """Ask once. Raises Stopped."""
        return await self._stoppable.result_of(self._path.answers(self._leg))

    async def seconds_until_answer(self, limit_s: float) -> float | None:
        """Ask until the server answers; return how long that took, None when ``limit_s`` passed. Raises Stopped."""
        began_s = self._clock.monotonic_s()
        pause_s = self._patience.first_pause_s
        while not await self.answers():
            left_s = began_s + limit_s - self._clock.monotonic_s()
            if left_s <= 0:
                return None
            await self._stoppable.pause(min(pause_s, left_s))
            pause_s = min(2 * pause_s, self._patience.longest_pause_s)
        return self._clock.monotonic_s() - began_s
