"""Tells the local network that this server is here (DNS-SD, RFC 6763, over multicast DNS, RFC 6762).

A convenience: whatever fails here is a note, never an error. May import sitetest_wire, zeroconf, psutil and the
standard library.
"""

import asyncio
import ipaddress
import socket
from collections.abc import Callable

import psutil
from zeroconf import Error, InterfaceChoice
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from sitetest_wire.messages import PROTOCOL_VERSION, SERVICE_TYPE

GOODBYE_TIMEOUT_S = 1.0


def own_addresses() -> list[str]:
    """Return this machine's addresses that others may reach: of interfaces that are up, no loopback, no link-local."""
    up = {name for name, stats in psutil.net_if_stats().items() if stats.isup}
    found = [
        address.address.split("%")[0]
        for name, addresses in psutil.net_if_addrs().items()
        if name in up
        for address in addresses
        if address.family in (socket.AF_INET, socket.AF_INET6)
    ]
    return [text for text in found if not (_ip(text).is_loopback or _ip(text).is_link_local)]


class Announcement:
    """One registered service. Registering takes some two seconds (it probes first), so it runs beside the server.

    address: the one that the server is bound to; None for all of them. note: gets a sentence when it does not work.
    """

    def __init__(
        self, *, server_id: str, name: str, address: str | None, port: int, tls: bool, note: Callable[[str], None]
    ) -> None:
        self._server_id = server_id
        self._name = name
        self._address = address
        self._port = port
        self._tls = tls
        self._note = note
        self._zeroconf: AsyncZeroconf | None = None
        self._task: asyncio.Task[None] | None = None

    def begin(self) -> None:
        """Start to announce; returns at once."""
        self._task = asyncio.create_task(self._register(), name="announcement")

    async def end(self) -> None:
        """Say goodbye, so that nobody finds a server that is gone."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait([self._task])
        if self._zeroconf is not None:
            try:
                async with asyncio.timeout(GOODBYE_TIMEOUT_S):
                    await self._zeroconf.async_close()  # unregisters first
            except (OSError, TimeoutError, Error) as problem:
                self._note(f"could not say goodbye on the local network: {_words(problem)}")

    async def _register(self) -> None:
        addresses = [self._address] if self._address else own_addresses()
        if not addresses:
            self._note("not announced: this machine has no address that others could reach")
            return
        try:
            self._zeroconf = AsyncZeroconf(interfaces=[self._address] if self._address else InterfaceChoice.All)
            await (await self._zeroconf.async_register_service(self._service_info(addresses), allow_name_change=True))
        except (OSError, Error) as problem:
            self._note(
                f"not announced on the local network ({_words(problem)}); agents need its address: --server HOST:PORT"
            )

    def _service_info(self, addresses: list[str]) -> AsyncServiceInfo:
        label = f"{self._name[:40].replace('.', '-')} {self._server_id[:6]}"
        return AsyncServiceInfo(
            SERVICE_TYPE,
            f"{label}.{SERVICE_TYPE}",
            port=self._port,
            parsed_addresses=addresses,
            server=f"sitetest-{self._server_id}.local.",
            properties={
                "protocol": str(PROTOCOL_VERSION),
                "server_id": self._server_id,
                "port": str(self._port),
                "tls": "1" if self._tls else "0",
            },
        )


def _ip(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    return ipaddress.ip_address(text)


def _words(problem: Exception) -> str:
    told = problem.strerror if isinstance(problem, OSError) else str(problem)
    return told or type(problem).__name__
