"""Finds a server again that has moved to another address: see :class:`sitetest.visit.soak.protocols.Whereabouts`.

    found by DNS-SD        the network is asked again; the server must show the same identity
    given by name          the name is looked up again when it is next needed
    given by IP address    there is nothing to find

The token was given to that identity, and goes to no other. May import engines, plan, visit.path, the other modules of
cli that it needs, and the standard library only.
"""

from collections.abc import Awaitable, Callable, Sequence

from sitetest.cli.connection import DISCOVERY_S, FarEnd
from sitetest.engines.discovery import FoundServer, find_servers
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import ServerApi
from sitetest.plan.cases import Leg
from sitetest.plan.server_address import ServerAddress
from sitetest.visit.path import SystemPath


class ServerWhereabouts:
    """end: the server of that leg; what uses its API follows it. discovered: it was found by DNS-SD. discover: asks the
    network, as ``find_servers``."""

    def __init__(
        self,
        leg: Leg,
        end: FarEnd,
        path: SystemPath,
        *,
        discovered: bool,
        discover: Callable[[float], Awaitable[Sequence[FoundServer]]] = find_servers,
    ) -> None:
        self._leg = leg
        self._end = end
        self._path = path
        self._discovered = discovered
        self._discover = discover

    async def find_again(self) -> str | None:
        """Look for the server; return the address that everybody uses from now on, None when nothing new was found."""
        self._path.forget(self._leg)
        if not self._discovered or self._end.identity is None:
            return None
        for found in await self._discover(DISCOVERY_S):
            if found.server_id != self._end.identity.server_id:
                continue
            for address in found.server_addresses():
                if address != self._end.api.address and await self._is_at(address):
                    self._end.api.move_to(address)
                    self._path.move_to(self._leg, address.host, address.port)
                    return address.endpoint
        return None

    async def _is_at(self, address: ServerAddress) -> bool:
        """Whether the same server answers there; asked without the token."""
        if address.scheme != self._end.api.address.scheme or self._end.identity is None:
            return False
        async with ServerApi(address) as stranger:
            try:
                identity = await stranger.identity()
            except TransferProblem:
                return False
        return identity.server_id == self._end.identity.server_id
