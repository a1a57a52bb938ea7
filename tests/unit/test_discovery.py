"""Servers are found by DNS-SD, with the real library on loopback: one end announces, the other one asks."""

import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from sitetest.engines import discovery
from sitetest.engines.discovery import FoundServer, find_servers
from sitetest.plan.server_address import ServerAddress
from sitetest_wire.messages import PROTOCOL_VERSION, SERVICE_TYPE

LOOPBACK = ["127.0.0.1"]
WAIT_S = 1.5
"""The first question asks for an answer by unicast, which two programs on one machine and one port cannot both get; the
second one, a second later, asks for multicast (RFC 6762, sections 5.2 and 5.4)."""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def multicast() -> None:
    """Skip where loopback carries no multicast, as in some containers."""
    group = socket.inet_aton("239.255.17.30")
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as here,
    ):
        try:
            there.bind(("", 0))
            there.settimeout(1.0)
            there.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group + socket.inet_aton(LOOPBACK[0]))
            here.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(LOOPBACK[0]))
            here.sendto(b"x", ("239.255.17.30", there.getsockname()[1]))
            there.recv(1)
        except OSError as problem:
            pytest.skip(f"no multicast on loopback here: {problem}")


@asynccontextmanager
async def announced(name: str, properties: dict[str, str], *addresses: str, port: int = 17300) -> AsyncIterator[None]:
    """Announce a service on loopback; probing is left out, so that it takes no two seconds."""
    info = AsyncServiceInfo(
        SERVICE_TYPE,
        f"{name}.{SERVICE_TYPE}",
        port=port,
        parsed_addresses=list(addresses),
        properties=properties,
        server=f"{name}.local.",
    )
    zeroconf = AsyncZeroconf(interfaces=LOOPBACK)
    try:
        await (await zeroconf.async_register_service(info, cooperating_responders=True))
        yield
        await zeroconf.async_unregister_all_services()
    finally:
        await zeroconf.async_close()


@pytest.mark.usefixtures("multicast")
async def test_an_announced_server_is_found_with_what_it_says_of_itself() -> None:
    told = {"server_id": "s1", "protocol": str(PROTOCOL_VERSION), "port": "17399", "tls": "0"}
    async with announced("counter-server", told, "192.0.2.7", "2001:db8::7", port=17399):
        (found,) = await find_servers(WAIT_S, interfaces=LOOPBACK)
    assert found == FoundServer(
        name="counter-server",
        host="192.0.2.7",
        port=17399,
        server_id="s1",
        protocol=PROTOCOL_VERSION,
        tls=False,
        addresses=("192.0.2.7", "2001:db8::7"),
    )
    assert found.server_addresses() == (ServerAddress("192.0.2.7", 17399), ServerAddress("2001:db8::7", 17399))


@pytest.mark.usefixtures("multicast")
async def test_two_servers_are_both_found() -> None:
    """Taking the first one that answers would measure against whichever was quicker."""
    first = announced("b-server", {"server_id": "s2"}, "192.0.2.8")
    second = announced("a-server", {"server_id": "s1", "tls": "1", "protocol": "x"}, "192.0.2.7")
    async with first, second:
        found = await find_servers(WAIT_S, interfaces=LOOPBACK)
    assert [(server.name, server.server_id, server.protocol) for server in found] == [
        ("a-server", "s1", None),
        ("b-server", "s2", None),
    ]
    assert found[0].server_addresses()[0].base_url == "https://192.0.2.7:17300"


async def test_nothing_found_is_no_error() -> None:
    assert await find_servers(0.2, interfaces=LOOPBACK) == []


async def test_a_network_without_multicast_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A guest network or a VPN: nothing is found, and the caller says why that may be."""

    def no_multicast(**settings: object) -> AsyncZeroconf:
        raise OSError(19, "No such device")

    monkeypatch.setattr(discovery, "AsyncZeroconf", no_multicast)
    assert await find_servers(WAIT_S) == []


def test_the_service_type_obeys_its_standard() -> None:
    """RFC 6335 section 5.1: at most 15 characters; RFC 6763 section 7: _name._tcp."""
    label, transport = SERVICE_TYPE.split(".")[:2]
    assert len(label.removeprefix("_")) <= 15
    assert transport == "_tcp"
    assert socket.IPPROTO_TCP == 6
