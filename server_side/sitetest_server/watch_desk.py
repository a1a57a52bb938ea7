"""Passes for agents that keep watch over the path between their transfers: the reflector answers their holders.

A pass takes no place in the queue and holds up no lease. It ends when its agent has not asked about it for
``WATCH_SILENCE_S``. No clock, no ids, no I/O of its own. May import sitetest_wire and the standard library only.
"""

from collections.abc import Callable
from dataclasses import dataclass

from sitetest_server.lease_desk import RoundTrips
from sitetest_server.leases import Caller
from sitetest_wire.messages import WATCH_SILENCE_S, WatchRequest, WatchState

MAX_WATCHES = 16
"""Passes at once; leaves room for leases among the tokens that a reflector takes."""

LOST_AFTER_S = 90.0
"""An agent asks every 20 s: after so long a pass is likely to be lost, and makes room when somebody else needs it."""


class NoReflector(Exception):
    """This server reflects nothing; the message says so to people."""


class TooManyWatches(Exception):
    """Every pass is in use; the message says how many there are."""


class UnknownWatch(KeyError):
    """There is no pass of this id: never given, or ended."""


@dataclass(slots=True)
class _Pass:
    request: WatchRequest
    caller: Caller
    token: bytes
    heard_at_s: float


class WatchDesk:
    """What the routes call. reflector: None where there is none. clock: monotonic seconds, the reflector's as well.
    new_token: the octets of a token, of a good random source."""

    def __init__(
        self,
        reflector: RoundTrips | None,
        *,
        clock: Callable[[], float],
        new_id: Callable[[], str],
        new_token: Callable[[], bytes],
    ) -> None:
        self._reflector = reflector
        self._clock = clock
        self._new_id = new_id
        self._new_token = new_token
        self._passes: dict[str, _Pass] = {}

    def begin(self, request: WatchRequest, caller: Caller) -> WatchState:
        """Give a pass. Raises NoReflector and TooManyWatches."""
        if self._reflector is None:
            raise NoReflector("this server has no reflector, so that nobody can watch the path to it")
        self._make_room()
        watch_id = self._new_id()
        self._passes[watch_id] = _Pass(request, caller, self._new_token(), self._clock())
        return self.hear(watch_id)

    def hear(self, watch_id: str) -> WatchState:
        """Return a pass and note that its agent is still there. Raises UnknownWatch."""
        self._end_silent(WATCH_SILENCE_S)
        held = self._passes.get(watch_id)
        if held is None or self._reflector is None:
            raise UnknownWatch(watch_id)
        held.heard_at_s = self._clock()
        self._reflector.admit(held.token, until_s=held.heard_at_s + WATCH_SILENCE_S, host=held.caller.agent_address)
        return WatchState(watch_id, self._reflector.port, held.token.hex(), WATCH_SILENCE_S)

    def end(self, watch_id: str) -> None:
        """End a pass. Raises UnknownWatch."""
        held = self._passes.pop(watch_id, None)
        if held is None:
            raise UnknownWatch(watch_id)
        if self._reflector is not None:
            self._reflector.revoke(held.token)

    def _make_room(self) -> None:
        self._end_silent(WATCH_SILENCE_S)
        if len(self._passes) >= MAX_WATCHES:
            self._end_silent(LOST_AFTER_S)
        if len(self._passes) >= MAX_WATCHES:
            raise TooManyWatches(f"{MAX_WATCHES} agents watch the path already, and more are not let in")

    def _end_silent(self, longest_s: float) -> None:
        now_s = self._clock()
        for watch_id in [one for one, held in self._passes.items() if now_s - held.heard_at_s >= longest_s]:
            self.end(watch_id)
