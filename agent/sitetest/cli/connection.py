"""Finds the test servers of a visit and the token for each.

    address   --server, then site.toml, then DNS-SD where that says "auto", then a server that answered before
    token     as given (--token or SITETEST_TOKEN for the wired server, SITETEST_INTERNET_TOKEN for the one on the far
              side of the line), then what is remembered of that server

The token of one server is never shown to another. A token is remembered once the server has accepted it, under the
server's id: it may move to another address.
May import engines, plan, errors, sitetest_wire and the standard library only.
"""

from collections.abc import Awaitable, Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass

from sitetest.engines.discovery import FoundServer, find_servers
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.known_servers import KnownServer, KnownServers
from sitetest.engines.server_api import ServerApi
from sitetest.errors import ServerUnreachable, UsageError
from sitetest.plan.server_address import ServerAddress, parse_server_address
from sitetest_wire.messages import Identity

AUTO = "auto"
DISCOVERY_S = 3.0
"""How long the local network is asked for test servers. Answers come within a second where multicast works at all."""

NONE_FOUND_STEP = (
    "Start sitetest-server on a machine on the wire. If it runs, its announcements do not get through here (a guest "
    "network, client isolation, a VPN or a firewall): name it with --server HOST, or as lan in profiles/site.toml."
)


@dataclass(frozen=True, slots=True)
class FarEnd:
    """A server at an address. identity: None when it did not answer: the preflight says why. token: None when neither
    given nor remembered."""

    api: ServerApi
    identity: Identity | None
    token: str | None

    @property
    def label(self) -> str:
        """Name for rows and screens."""
        return self.api.host if self.identity is None else self.identity.name


class Connections:
    """Opens the servers of one command; what it opens is closed with ``stack``.

    token, internet_token: as given by the person for the wired and the far server; None when not. discover: asks the
    network, as ``find_servers``.
    """

    def __init__(
        self,
        stack: AsyncExitStack,
        known: KnownServers,
        token: str | None,
        internet_token: str | None = None,
        discover: Callable[[float], Awaitable[Sequence[FoundServer]]] = find_servers,
    ) -> None:
        self._stack = stack
        self._known = known
        self._token = token or None
        self._internet_token = internet_token or None
        self._discover = discover

    async def lan(self, option: str | None, site_says: str) -> FarEnd:
        """Return the server of the LAN leg. Raises UsageError for an address that is none, and ServerUnreachable when
        the server is to be found and none is."""
        if option is not None:
            return await self._at(parse_server_address(option, "--server"), self._token)
        if site_says != AUTO:
            return await self._at(parse_server_address(site_says, "profiles/site.toml: server.lan"), self._token)
        return await self._announced()

    async def internet(self, address: ServerAddress) -> FarEnd:
        """Return the server on the far side of the line, whether it answers or not."""
        return await self._at(address, self._internet_token)

    async def _at(self, address: ServerAddress, given: str | None) -> FarEnd:
        async with ServerApi(address) as stranger:
            try:
                identity: Identity | None = await stranger.identity()
            except TransferProblem:
                identity = None
        token = given or self._remembered_token(identity, address)
        api = await self._stack.enter_async_context(ServerApi(address, token))
        return FarEnd(api, identity, token)

    def worked(self, far_end: FarEnd) -> None:
        """Remember the token of a server that has accepted it."""
        if far_end.token is not None and far_end.identity is not None:
            server = KnownServer(far_end.token, far_end.api.base_url, far_end.identity.name)
            self._known.remember(far_end.identity.server_id, server)

    async def _announced(self) -> FarEnd:
        found = await self._discover(DISCOVERY_S)
        if len(found) > 1:
            names = ", ".join(f"{server.name} at {server.server_addresses()[0].endpoint}" for server in found)
            raise UsageError(
                f"There are {len(found)} test servers on this network: {names}.",
                "Say which one with --server HOST:PORT, or as lan in profiles/site.toml.",
            )
        places = [(address, server.server_id) for server in found for address in server.server_addresses()]
        if not found:
            places = [(parse_server_address(old.address), name) for name, old in self._known.all().items()]
        for address, server_id in places:
            end = await self._at(address, self._token)
            if end.identity is not None and end.identity.server_id == server_id:
                return end
        if found:
            raise ServerUnreachable(
                f"The test server {found[0].name} announces itself, but does not answer at "
                + ", ".join(address.endpoint for address, _ in places)
                + ".",
                "See that no firewall or client isolation is between them, or name another address with --server.",
            )
        raise ServerUnreachable(
            f"No test server was found: none announced itself on this network within {DISCOVERY_S:g} s, and none that "
            "was used before answers.",
            NONE_FOUND_STEP,
        )

    def _remembered_token(self, identity: Identity | None, address: ServerAddress) -> str | None:
        known = self._known.all()
        if identity is not None:
            return known[identity.server_id].token if identity.server_id in known else None
        return next((server.token for server in known.values() if server.address == address.base_url), None)
