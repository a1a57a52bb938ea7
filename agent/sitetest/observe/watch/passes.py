"""What the watch needs from the test server: a pass for its reflector, over days, beside whoever holds the lease.

May import engines.base (the reflector's address) and the standard library only.
"""

from typing import Protocol

from sitetest.engines.base import Reflector

RENEW_EVERY_S = 20.0
"""How often the watch renews its pass while all is well. A pass should outlive several of these, and better an outage
of some minutes: one that the server has forgotten leaves the end of an outage uncertain by what a new one takes."""


class NoPass(Exception):
    """There is no pass to be had now; its text is a sentence for people.

    answered: the server answered and has none to give (it offers no reflector, it refuses). False: nothing answered,
    which may be the path itself.
    """

    def __init__(self, why: str, *, answered: bool) -> None:
        super().__init__(why)
        self.answered = answered


class Passes(Protocol):
    """Asks the server for the pass of one watch. Used by one task; a call may be cancelled at any time."""

    async def renew(self) -> Reflector:
        """Keep the pass in force, or get another when there is none yet or the server does not know it any more (it
        was restarted, it moved). Returns where to send probes now, with the token to show; the same as before when
        nothing has changed. The caller limits the time. Raises NoPass."""

    async def give_back(self) -> None:
        """Tell the server that the pass is not needed any more. Does nothing without one. Never raises."""
