"""The far ends of a visit, and the engines that reach them: one server, one on the far side of the line, or a URL.

May import engines, plan, visit.path, errors, sitetest_wire and the standard library only.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from sitetest.cli.connection import Connections, FarEnd
from sitetest.engines.base import Engine
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.http import HttpEngine
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest.engines.url_download import UrlDownloadEngine, url_without_query
from sitetest.errors import UsageError
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.server_address import URL_PORTS, parse_server_address
from sitetest.plan.site import Server
from sitetest.plan.soak_plan import SoakPlan
from sitetest.visit.path import Target
from sitetest_wire.words import EngineName

Engines = Mapping[tuple[Leg, EngineName], Engine]


@dataclass(frozen=True, slots=True)
class FarEnds:
    """Servers by leg, for those that are sitetest-servers; url: what the internet leg downloads where it is none."""

    servers: Mapping[Leg, FarEnd]
    url: str | None = None

    @property
    def simulated(self) -> str | None:
        """What the servers say they simulate; None when all are real."""
        known = [end.identity for end in self.servers.values() if end.identity is not None]
        told = [identity.simulated for identity in known if identity.simulated]
        return "; ".join(dict.fromkeys(told)) or None

    @property
    def labels(self) -> dict[Leg, str]:
        """Name of the far end of each leg, for the rows."""
        named = {leg: end.label for leg, end in self.servers.items()}
        if self.url is not None:
            named[Leg.INTERNET] = url_without_query(self.url)
        return named

    def targets(self) -> dict[Leg, Target]:
        """What the visit asks between transfers whether it answers."""
        asked = {
            leg: Target(end.api.host, end.api.port, end.api.identity, (TransferProblem,))
            for leg, end in self.servers.items()
        }
        if self.url is not None:
            parts = urlsplit(self.url)
            host, port = parts.hostname or "", parts.port or URL_PORTS[parts.scheme]
            asked[Leg.INTERNET] = Target(host, port, lambda: _connects(host, port))
        return asked


async def reach(connections: Connections, plan: Plan | SoakPlan, site_server: Server, option: str | None) -> FarEnds:
    """Find the far end of every leg of a plan. option: ``--server``. Raises UsageError, ServerError."""
    legs = {case.leg for case in plan.cases}
    servers: dict[Leg, FarEnd] = {}
    url = None
    if Leg.LAN in legs:
        servers[Leg.LAN] = await connections.lan(option, site_server.lan)
    if Leg.INTERNET in legs:
        if site_server.internet is not None:
            where = "profiles/site.toml: server.internet"
            address = parse_server_address(site_server.internet, where)
            servers[Leg.INTERNET] = await connections.internet(address)
        else:
            url = site_server.internet_download_url
    return FarEnds(servers, url)


def engines_for(plan: Plan | SoakPlan, ends: FarEnds, agent: str) -> Engines:
    """Return an engine for every leg and engine of a plan. agent: label of this laptop, shown to whoever waits.

    Raises UsageError for a URL that cannot be downloaded from. Whether an engine is usable is the preflight's question.
    """
    engines: dict[tuple[Leg, EngineName], Engine] = {}
    for leg, name in dict.fromkeys((case.leg, case.engine) for case in plan.cases):
        end = ends.servers.get(leg)
        if end is None:
            if ends.url is None:
                raise UsageError(f"profiles/site.toml names no far end for the leg {leg}.")
            engine: Engine = UrlDownloadEngine(ends.url, where="profiles/site.toml: server.internet_download_url")
        else:
            engine = Iperf3Engine(end.api, agent) if name is EngineName.IPERF3 else HttpEngine(end.api, agent)
        engines[leg, name] = engine
    return engines


async def _connects(host: str, port: int) -> None:
    _, writer = await asyncio.open_connection(host, port)
    writer.transport.abort()
