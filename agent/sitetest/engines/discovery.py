"""Finds test servers on the local network by DNS-SD (RFC 6763) over multicast DNS (RFC 6762). Never scans.

Finding nothing is not an error: guest networks, client isolation, VPNs and firewalls keep multicast back without a
word. Whoever asked says so, and offers an address, the server remembered from last time, or a plain name instead.

What is found is a hint: ask the server for its identity and compare the server id before it is used. May import
sitetest_wire, zeroconf and the standard library only.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from zeroconf import InterfaceChoice, IPVersion, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from sitetest.plan.server_address import ServerAddress
from sitetest_wire.messages import SERVICE_TYPE

RESOLVE_LIMIT_S = 1.5
"""How long one announced name may take to be resolved."""


@dataclass(frozen=True, slots=True, order=True)
class FoundServer:
    """An announced server.

    name: as announced, without the service type. host: the first of ``addresses``, IPv4 first. server_id: empty when
    not announced. protocol: None when not announced as a number. tls: it speaks https.
    """

    name: str
    host: str
    port: int
    server_id: str
    protocol: int | None
    tls: bool = False
    addresses: tuple[str, ...] = ()

    def server_addresses(self) -> tuple[ServerAddress, ...]:
        """Return every address at which the server may answer, in the order in which to try them."""
        scheme = "https" if self.tls else "http"
        return tuple(ServerAddress(host, self.port, scheme) for host in self.addresses or (self.host,))


async def find_servers(
    wait_s: float = 3.0, *, interfaces: Sequence[str] | InterfaceChoice = InterfaceChoice.All
) -> list[FoundServer]:
    """Ask the local network for ``wait_s`` seconds; return each server once, by name.

    The whole time is waited for, so that a second server is seen too. interfaces: addresses of the interfaces to ask
    on; all of them by default. Returns an empty list where multicast cannot be used at all.
    """
    try:
        zeroconf = AsyncZeroconf(
            interfaces=interfaces if isinstance(interfaces, InterfaceChoice) else list(interfaces),
        )
    except OSError:  # no interface that could do multicast
        return []
    try:
        return await _browse(zeroconf, wait_s)
    finally:
        await zeroconf.async_close()


async def _browse(zeroconf: AsyncZeroconf, wait_s: float) -> list[FoundServer]:
    names: set[str] = set()
    resolving: dict[str, asyncio.Task[FoundServer | None]] = {}

    def changed(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is ServiceStateChange.Removed:
            names.discard(name)
            return
        names.add(name)
        if name not in resolving:
            resolving[name] = asyncio.ensure_future(_resolve(zeroconf, service_type, name))

    browser = AsyncServiceBrowser(zeroconf.zeroconf, SERVICE_TYPE, handlers=[changed])
    try:
        await asyncio.sleep(wait_s)
        if resolving:
            await asyncio.wait(resolving.values(), timeout=RESOLVE_LIMIT_S)
    finally:
        await browser.async_cancel()
        for task in resolving.values():
            task.cancel()
    done = [task.result() for name, task in resolving.items() if name in names and task.done() and not task.cancelled()]
    return sorted({found for found in done if found is not None})


async def _resolve(zeroconf: Zeroconf, service_type: str, name: str) -> FoundServer | None:
    info = AsyncServiceInfo(service_type, name)
    if not await info.async_request(zeroconf, RESOLVE_LIMIT_S * 1000):
        return None
    addresses = (
        *info.parsed_scoped_addresses(IPVersion.V4Only),
        *info.parsed_scoped_addresses(IPVersion.V6Only),
    )
    if not addresses or not info.port:
        return None
    told = {_text(key): _text(value) for key, value in info.properties.items()}
    protocol = told.get("protocol", "")
    return FoundServer(
        name=name.removesuffix(f".{service_type}"),
        host=addresses[0],
        port=info.port,
        server_id=told.get("server_id", ""),
        protocol=int(protocol) if protocol.isascii() and protocol.isdecimal() else None,
        tls=told.get("tls") == "1",
        addresses=addresses,
    )


def _text(value: bytes | None) -> str:
    return (value or b"").decode(errors="replace")
