"""The passes of a watch over the path, asked of the test server's API.

See :class:`sitetest.observe.watch.passes.Passes`.

May import engines, observe.watch.passes and the standard library only.
"""

from contextlib import suppress

from sitetest.engines.base import FailureKind, Reflector
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import ServerApi
from sitetest.observe.watch.passes import NoPass
from sitetest_wire.messages import WatchState

_ANSWERED = frozenset(
    {
        FailureKind.LEASE_DENIED,
        FailureKind.UNAVAILABLE,
        FailureKind.BUSY,
        FailureKind.BAD_OUTPUT,
        FailureKind.CERTIFICATE,
    }
)
"""Kinds of failure that only a server that answers can bring about."""


class ServerPasses:
    """agent: label of this laptop."""

    def __init__(self, api: ServerApi, agent: str) -> None:
        self._api = api
        self._agent = agent
        self._state: WatchState | None = None

    async def renew(self) -> Reflector:
        """Keep the pass, or get another one where the server does not know it. Raises NoPass."""
        try:
            self._state = await self._renewed()
        except TransferProblem as problem:
            raise NoPass(f"{problem.failure.message}.", answered=problem.failure.kind in _ANSWERED) from problem
        token = bytes.fromhex(self._state.reflector_token)
        return Reflector(self._api.reached_at, self._state.reflector_port, token)

    async def give_back(self) -> None:
        """Tell the server that the pass is not needed any more."""
        state, self._state = self._state, None
        if state is not None:
            with suppress(TransferProblem):  # it ends by itself once nobody asks about it
                await self._api.end_watch(state.watch_id)

    async def _renewed(self) -> WatchState:
        if self._state is not None:
            try:
                return await self._api.hear_watch(self._state.watch_id)
            except TransferProblem as problem:
                if problem.failure.kind is not FailureKind.LEASE_DENIED:
                    raise
        return await self._api.begin_watch(self._agent)
