"""What the network and the server answer between transfers, asked with an ordinary user's rights.

    link      the interface is up and has a carrier (psutil; Linux also sysfs, where a Wi-Fi interface has a carrier
              only while it is associated and authenticated)
    gateway   the first hop of the Linux IPv4 route to the server, asked by a TCP connection: accepted or refused, both
              are an answer of a living host (RFC 9293, 3.5.2: a closed port answers with a reset)
    neighbour the default gateway of the same interface, asked in the same way where the server is on the laptop's own
              subnet: it tells a dead path from a server's machine that is off
    host      the server's machine, asked in the same way at the server's own port; only a refusal shows that it lives
              and the server does not, an accepted connection beside a silent API shows nothing
    server    the test server's API, asked by a callable that is passed in

The interface is the one from which the system would send: a UDP socket is connected to the server, which sends nothing,
and asked for its own address. The server's address is looked up once, until somebody says that it may have changed: a
lookup fails first of all when the path is gone, and may hold a thread for many seconds.

May import plan, errors, observe, visit, sitetest_wire, psutil and the standard library only.
"""

import asyncio
import socket
import sys
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from ipaddress import IPv4Address, IPv4Network, ip_address
from pathlib import Path
from typing import Literal

import psutil

from sitetest.errors import SitetestError
from sitetest.observe.system import own_addresses
from sitetest.plan.cases import Leg
from sitetest.visit.association import NOT_POSSIBLE, reassociate
from sitetest.visit.diagnosis import Answer, Diagnosis, Route
from sitetest_wire.local_interface import interface_of
from sitetest_wire.wired_link import SYSFS_NET

ASK_LIMIT_S = 4.0
"""How long one question may take. Above the 3.1 s after which Linux says that nobody answered its ARP requests, below
the 15 s in which a dead path must be recognised."""

LOOKUP_LIMIT_S = 4.0
"""How long finding the server's address may take."""

GATEWAY_PORT = 53
"""A gateway most likely serves names there, and refuses otherwise; either is an answer."""

PROC_NET_ROUTE = Path("/proc/net/route")
_ROUTE_UP = 0x1  # RTF_UP, linux/route.h


@dataclass(frozen=True, slots=True)
class Target:
    """The server of one leg. identity: asks its API who it is; raises when it does not answer, with one of ``problems``
    or an OSError, SitetestError or TimeoutError. Anything else it raises is a fault of ours and passes through."""

    host: str
    port: int
    identity: Callable[[], Awaitable[object]]
    problems: tuple[type[Exception], ...] = ()


class SystemPath:
    """The real path of a visit. targets: the server of each leg that is measured."""

    def __init__(
        self, targets: Mapping[Leg, Target], *, sysfs_net: Path = SYSFS_NET, proc_net_route: Path = PROC_NET_ROUTE
    ) -> None:
        self._targets = dict(targets)
        self._sysfs_net = sysfs_net
        self._proc_net_route = proc_net_route
        self._addresses: dict[Leg, str] = {}
        self._interfaces: dict[Leg, str] = {}

    def forget(self, leg: Leg) -> None:
        """Look up the address of that leg's server once more: it, or the laptop, may have moved."""
        self._addresses.pop(leg, None)

    def move_to(self, leg: Leg, host: str, port: int) -> None:
        """Ask about that leg's server at another place from now on."""
        self._targets[leg] = replace(self._targets[leg], host=host, port=port)
        self.forget(leg)

    async def answers(self, leg: Leg) -> bool:
        """Whether the server of that leg answers now, asked once, within ASK_LIMIT_S."""
        target = self._targets[leg]
        not_answering: tuple[type[Exception], ...] = (OSError, TimeoutError, SitetestError, *target.problems)
        try:
            async with asyncio.timeout(ASK_LIMIT_S):
                await target.identity()
        except not_answering:
            return False
        return True

    async def route(self, leg: Leg) -> Route | None:
        """Which way packets to that leg's server leave the laptop now; None: no way, or no telling."""
        address = await self._address(leg)
        local = None if address is None else source_address(address, self._targets[leg].port)
        if local is None:
            return None
        interface = interface_of(local, own_addresses())
        if interface is not None:
            self._interfaces[leg] = interface
        return Route(interface, local)

    async def diagnose(self, leg: Leg) -> Diagnosis:
        """Ask association, gateway and server at the same time, within ASK_LIMIT_S and a lookup. A link that is gone at
        the begin or at the end of that is gone: one that comes back meanwhile explains why nothing answered."""
        if leg not in self._interfaces:
            await self.route(leg)
        interface = self._interfaces.get(leg)
        before = self._link(interface)
        gateway, neighbour, host, server = await asyncio.gather(
            self._gateway(leg), self._neighbour(leg, interface), self._host(leg), self.answers(leg)
        )
        return Diagnosis(
            link=before if before is Answer.NO else self._link(interface),
            gateway=gateway,
            host=Answer.YES if server else host,
            server=Answer.YES if server else Answer.NO,
            interface=interface,
            neighbour=neighbour,
        )

    async def reassociate(self) -> str:
        """Ask the system for a fresh association of the interface that carries the LAN leg, or the only leg."""
        leg = Leg.LAN if Leg.LAN in self._targets else next(iter(self._targets), None)
        if leg is None:
            return NOT_POSSIBLE
        await self.route(leg)
        return await reassociate(self._interfaces.get(leg), sysfs_net=self._sysfs_net)

    def _link(self, interface: str | None) -> Answer:
        return Answer.UNKNOWN if interface is None else link_of(interface, self._sysfs_net)

    async def _gateway(self, leg: Leg) -> Answer:
        address = await self._address(leg)
        if address is None or _is_own(address, self._targets[leg].port):
            return Answer.UNKNOWN
        gateway = gateway_to(address, self._proc_net_route)
        return Answer.UNKNOWN if gateway is None else await alive(gateway, GATEWAY_PORT)

    async def _neighbour(self, leg: Leg, interface: str | None) -> Answer:
        address = await self._address(leg)
        if address is None or interface is None or _is_own(address, self._targets[leg].port):
            return Answer.UNKNOWN
        if gateway_to(address, self._proc_net_route) is not None:
            return Answer.UNKNOWN  # that one is on the way, and is asked as such
        neighbour = default_gateway_of(interface, self._proc_net_route)
        return Answer.UNKNOWN if neighbour in {None, address} else await alive(str(neighbour), GATEWAY_PORT)

    async def _host(self, leg: Leg) -> Answer:
        address = await self._address(leg)
        if address is None:
            return Answer.UNKNOWN
        return await alive(address, self._targets[leg].port, accepted=Answer.UNKNOWN)

    async def _address(self, leg: Leg) -> str | None:
        """The server's IP address; None while it cannot be found out."""
        if leg not in self._addresses:
            found = await _look_up(self._targets[leg].host)
            if found is None:
                return None
            self._addresses[leg] = found
        return self._addresses[leg]


def source_address(address: str, port: int) -> str | None:
    """Return the local address of packets to an IP address; None when there is no route. Sends nothing."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((address, port))
        except OSError:
            return None
        return str(probe.getsockname()[0])


def link_of(interface: str, sysfs_net: Path = SYSFS_NET) -> Answer:
    """Tell whether an interface is up and has a carrier; for a Wi-Fi interface on Linux: is associated."""
    known = psutil.net_if_stats().get(interface)
    if known is None or not known.isup:
        return Answer.NO
    if sys.platform != "linux":
        return Answer.YES
    try:
        carrier = (sysfs_net / interface / "carrier").read_text().strip()
    except FileNotFoundError:
        return Answer.YES  # no sysfs: psutil's word is all there is
    except OSError:
        return Answer.NO  # EINVAL is how the kernel says that the interface is down
    return Answer.YES if carrier == "1" else Answer.NO


def gateway_to(
    address: str, proc_net_route: Path = PROC_NET_ROUTE, byte_order: Literal["little", "big"] = sys.byteorder
) -> str | None:
    """Return the first hop towards an IPv4 address by Linux's routing table (longest prefix, then lowest metric).

    None when the address is on a subnet of the laptop's own, when there is no route, or when this system has no such
    table. Only the main table is read; policy routing is not seen.
    """
    wanted = ip_address(address.partition("%")[0])
    if not isinstance(wanted, IPv4Address):
        return None
    there = [route for route in _routes(proc_net_route, byte_order) if wanted in route.network]
    best = max(there, key=lambda route: (route.network.prefixlen, -route.metric, route.gateway), default=None)
    return None if best is None or best.gateway == "0.0.0.0" else best.gateway


def default_gateway_of(
    interface: str, proc_net_route: Path = PROC_NET_ROUTE, byte_order: Literal["little", "big"] = sys.byteorder
) -> str | None:
    """Return the default gateway that an interface has by Linux's routing table, in use or not; None without one, and
    when this system has no such table."""
    there = [
        route
        for route in _routes(proc_net_route, byte_order)
        if route.interface == interface and route.network.prefixlen == 0 and route.gateway != "0.0.0.0"
    ]
    return None if not there else min(there, key=lambda route: route.metric).gateway


@dataclass(frozen=True, slots=True)
class _TableRoute:
    interface: str
    network: IPv4Network
    gateway: str
    metric: int


def _routes(proc_net_route: Path, byte_order: Literal["little", "big"]) -> list[_TableRoute]:
    """The routes of the table that are up."""
    try:
        lines = proc_net_route.read_text().splitlines()[1:]
    except OSError:
        return []
    routes = []
    for line in lines:
        columns = line.split()
        if int(columns[3], 16) & _ROUTE_UP:
            destination, gateway, mask = (_ipv4(columns[place], byte_order) for place in (1, 2, 7))
            routes.append(_TableRoute(columns[0], IPv4Network(f"{destination}/{mask}"), gateway, int(columns[6])))
    return routes


async def alive(address: str, port: int, limit_s: float = ASK_LIMIT_S, *, accepted: Answer = Answer.YES) -> Answer:
    """Ask a host by a TCP connection: refused is YES, anything but that and acceptance (no route, silence) is NO.

    accepted: what a connection that comes up is to mean.
    """
    try:
        async with asyncio.timeout(limit_s):
            _, writer = await asyncio.open_connection(address, port)
    except ConnectionRefusedError:
        return Answer.YES
    except (OSError, TimeoutError):
        return Answer.NO
    writer.transport.abort()
    return accepted


async def _look_up(host: str) -> str | None:
    try:
        return str(ip_address(host.partition("%")[0])) if "%" not in host else host
    except ValueError:
        pass
    try:
        async with asyncio.timeout(LOOKUP_LIMIT_S):
            found = await asyncio.get_running_loop().getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except (OSError, TimeoutError, UnicodeError):
        return None
    return str(found[0][4][0]) if found else None


def _is_own(address: str, port: int) -> bool:
    """Addresses of this machine stand in the kernel's local table, which /proc/net/route does not show."""
    return ip_address(address.partition("%")[0]).is_loopback or source_address(address, port) == address


def _ipv4(column: str, byte_order: Literal["little", "big"]) -> str:
    """An address as /proc/net/route writes it: hexadecimal, in the machine's own byte order."""
    return socket.inet_ntoa(int(column, 16).to_bytes(4, byte_order))
