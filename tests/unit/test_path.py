"""What the real path answers, on loopback sockets and on the routing tables that kernels write."""

import asyncio
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import psutil
import pytest

from sitetest.errors import ServerUnreachable
from sitetest.plan.cases import Leg
from sitetest.visit import path as path_module
from sitetest.visit.diagnosis import Answer, Route
from sitetest.visit.path import SystemPath, Target, alive, default_gateway_of, gateway_to, link_of, source_address


@pytest.fixture
async def listening() -> AsyncIterator[int]:
    """A TCP port on loopback that accepts."""
    server = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0)
    yield server.sockets[0].getsockname()[1]
    server.close()
    await server.wait_closed()


@pytest.fixture
def closed_port() -> int:
    """A TCP port on loopback on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def well() -> object:
    return "identity"


async def gone() -> object:
    raise ServerUnreachable("nothing answers")


def loopback_name() -> str:
    return next(
        name for name, found in psutil.net_if_addrs().items() if any(entry.address == "127.0.0.1" for entry in found)
    )


def loopback(port: int, identity: Callable[[], Awaitable[object]]) -> SystemPath:
    return SystemPath({Leg.LAN: Target("127.0.0.1", port, identity)})


async def test_a_server_that_answers_is_diagnosed_as_well(listening: int) -> None:
    """Link, host and server say yes; there is no gateway on one's own machine."""
    found = await loopback(listening, well).diagnose(Leg.LAN)
    assert (found.link, found.gateway, found.host, found.server) == (
        Answer.YES,
        Answer.UNKNOWN,
        Answer.YES,
        Answer.YES,
    )
    assert found.interface == loopback_name()


async def test_a_dead_server_on_a_living_host_is_told_by_the_refusal(closed_port: int) -> None:
    """A closed port answers with a reset (RFC 9293, 3.5.2): the host lives, the server does not."""
    found = await loopback(closed_port, gone).diagnose(Leg.LAN)
    assert (found.host, found.server) == (Answer.YES, Answer.NO)


async def test_a_silent_api_behind_an_accepted_connection_tells_nothing_of_the_host(listening: int) -> None:
    """A path too slow for an answer of the API, or a hung server: the kernel takes the connection in both."""
    found = await loopback(listening, gone).diagnose(Leg.LAN)
    assert (found.host, found.server) == (Answer.UNKNOWN, Answer.NO)


async def test_an_own_address_has_no_gateway(monkeypatch: pytest.MonkeyPatch, closed_port: int, tmp_path: Path) -> None:
    """/proc/net/route does not show the kernel's local table, so a default route would match it."""
    table = tmp_path / "route"
    table.write_text(ROUTES)
    path = SystemPath({Leg.LAN: Target("127.0.0.1", closed_port, gone)}, proc_net_route=table)
    assert (await path.diagnose(Leg.LAN)).gateway is Answer.UNKNOWN
    assert gateway_to("127.0.0.1", table) is not None, "the table alone would say otherwise"


async def test_silence_is_not_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host that drops everything is asked no longer than the limit."""

    async def silent(*args: object) -> None:
        await asyncio.Event().wait()

    monkeypatch.setattr(asyncio, "open_connection", silent)
    assert await alive("192.0.2.1", 53, limit_s=0.01) is Answer.NO


@pytest.mark.parametrize("problem", [OSError(113, "no route"), TimeoutError(), ServerUnreachable("away"), ValueError()])
async def test_what_counts_as_not_answering(problem: Exception) -> None:
    """The declared problems do; anything else is a fault of ours and is not hidden."""

    async def failing() -> object:
        raise problem

    target = Target("127.0.0.1", 1, failing, problems=(LookupError,))
    if isinstance(problem, ValueError):
        with pytest.raises(ValueError):  # noqa: PT011 - the very object
            await SystemPath({Leg.LAN: target}).answers(Leg.LAN)
    else:
        assert await SystemPath({Leg.LAN: target}).answers(Leg.LAN) is False
    assert await loopback(1, well).answers(Leg.LAN) is True


async def test_a_question_that_takes_too_long_is_a_no(monkeypatch: pytest.MonkeyPatch) -> None:
    """The visit must not hang on a half-dead server."""
    monkeypatch.setattr(path_module, "ASK_LIMIT_S", 0.01)

    async def hanging() -> object:
        await asyncio.Event().wait()
        return None

    assert await loopback(1, hanging).answers(Leg.LAN) is False


async def test_the_route_is_the_one_the_system_would_take(listening: int) -> None:
    """Interface and source address of loopback, also for other addresses of 127.0.0.0/8, and for a name."""
    assert await loopback(listening, well).route(Leg.LAN) == Route(loopback_name(), "127.0.0.1")
    named = SystemPath({Leg.LAN: Target("localhost", listening, well)})
    route = await named.route(Leg.LAN)
    assert route is not None
    assert route.interface == loopback_name()
    assert source_address("127.0.0.1", 9) == "127.0.0.1"


async def test_a_name_that_nobody_knows_is_no_route_and_no_crash(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lookups fail first when the path is gone; nothing can then be said about gateway and host."""

    async def failing(*args: object, **named: object) -> list[object]:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", failing)
    path = SystemPath({Leg.LAN: Target("counter-server.invalid", 9, gone)})
    assert await path.route(Leg.LAN) is None
    found = await path.diagnose(Leg.LAN)
    assert (found.link, found.gateway, found.host, found.server) == (
        Answer.UNKNOWN,
        Answer.UNKNOWN,
        Answer.UNKNOWN,
        Answer.NO,
    )


async def test_a_name_is_looked_up_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the path is gone the address is still known, so that host and gateway can be asked."""
    asked = []

    async def lookup(host: str, *args: object, **named: object) -> list[object]:
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", 0))]

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", lookup)
    path = SystemPath({Leg.LAN: Target("counter-server", 9, well)})
    await path.route(Leg.LAN)
    monkeypatch.undo()
    assert await path.route(Leg.LAN) == Route(loopback_name(), "127.0.0.1")
    assert asked == ["counter-server"]


@pytest.mark.parametrize(("states", "link"), [("NY", Answer.NO), ("YN", Answer.NO), ("YY", Answer.YES)])
async def test_a_link_that_comes_back_while_the_network_is_asked_was_gone(
    monkeypatch: pytest.MonkeyPatch, closed_port: int, states: str, link: Answer
) -> None:
    """Silence is only sure after seconds; what stood at the begin of them explains it."""
    looks = iter(states)
    monkeypatch.setattr(path_module, "link_of", lambda *_: Answer.YES if next(looks) == "Y" else Answer.NO)
    assert (await loopback(closed_port, gone).diagnose(Leg.LAN)).link is link


async def test_the_diagnosis_speaks_about_the_interface_that_carried_the_transfer(
    monkeypatch: pytest.MonkeyPatch, closed_port: int
) -> None:
    """When Wi-Fi goes and the system falls back to another interface, it is the Wi-Fi link that is asked about."""
    path = loopback(closed_port, gone)
    monkeypatch.setattr(path_module, "interface_of", lambda address, own: "wlan-that-went")
    await path.route(Leg.LAN)
    monkeypatch.undo()
    found = await path.diagnose(Leg.LAN)
    assert (found.interface, found.link) == ("wlan-that-went", Answer.NO)


@pytest.mark.parametrize(
    ("carrier", "expected"), [("1\n", Answer.YES), ("0\n", Answer.NO), (None, Answer.YES), (OSError, Answer.NO)]
)
def test_the_carrier_tells_whether_the_interface_is_associated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, carrier: object, expected: Answer
) -> None:
    """Linux writes 1 or 0, and refuses to be read (EINVAL) while the interface is down."""
    name = loopback_name()
    monkeypatch.setattr(sys, "platform", "linux")
    (tmp_path / name).mkdir()
    if isinstance(carrier, str):
        (tmp_path / name / "carrier").write_text(carrier)
    elif carrier is OSError:
        (tmp_path / name / "carrier").mkdir()  # reading a directory fails with an OSError of another number
    assert link_of(name, tmp_path) is expected
    assert link_of("no-such-interface", tmp_path) is Answer.NO


ROUTES = """\
Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT
wlan0\t00000000\t010200C0\t0003\t0\t0\t600\t00000000\t0\t0\t0
eth0\t00000000\t020200C0\t0003\t0\t0\t100\t00000000\t0\t0\t0
eth1\t00000000\t030200C0\t0002\t0\t0\t1\t00000000\t0\t0\t0
wlan0\t000200C0\t00000000\t0001\t0\t0\t600\t00FFFFFF\t0\t0\t0
wlan0\t006433C6\t090200C0\t0003\t0\t0\t600\t00FFFFFF\t0\t0\t0
"""
"""As a little-endian kernel writes it (proc(5)): 010200C0 is 192.0.2.1, 006433C6 is 198.51.100.0 (RFC 5737)."""


@pytest.mark.parametrize(
    ("address", "gateway"),
    [
        ("203.0.113.5", "192.0.2.2"),  # two default routes: the lower metric
        ("192.0.2.40", None),  # on the laptop's own subnet
        ("198.51.100.9", "192.0.2.9"),  # the longest prefix wins over the metric
        ("2001:db8::1", None),  # not in this table
    ],
)
def test_the_gateway_is_the_first_hop_of_the_kernels_table(tmp_path: Path, address: str, gateway: str | None) -> None:
    """Longest prefix, then lowest metric, routes that are not up left out (RTF_UP is bit 0)."""
    table = tmp_path / "route"
    table.write_text(ROUTES)
    assert gateway_to(address, table, "little") == gateway


@pytest.mark.parametrize(("interface", "gateway"), [("wlan0", "192.0.2.1"), ("eth0", "192.0.2.2"), ("eth1", None)])
def test_the_neighbour_is_the_default_gateway_of_the_same_interface(
    tmp_path: Path, interface: str, gateway: str | None
) -> None:
    """Also when another interface has the better metric: the question is whether this path lives. Eth1's is not up."""
    table = tmp_path / "route"
    table.write_text(ROUTES)
    assert default_gateway_of(interface, table, "little") == gateway
    assert default_gateway_of(interface, tmp_path / "absent") is None


@pytest.mark.parametrize(("server", "asked"), [("192.0.2.40", ["192.0.2.1"]), ("203.0.113.5", ["192.0.2.2"])])
async def test_a_neighbour_is_asked_where_no_gateway_is_on_the_way(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, server: str, asked: list[str]
) -> None:
    """Nothing answers here but whoever is asked at the port of names."""
    table = tmp_path / "route"
    table.write_text(ROUTES)
    seen: list[str] = []

    async def answering(address: str, port: int, limit_s: float = 1.0, *, accepted: Answer = Answer.YES) -> Answer:
        if port != path_module.GATEWAY_PORT:
            return Answer.NO
        seen.append(address)
        return Answer.YES

    async def silent() -> object:
        raise TimeoutError

    monkeypatch.setattr(path_module, "alive", answering)
    path = SystemPath({Leg.LAN: Target(server, 8765, silent)}, proc_net_route=table)
    monkeypatch.setattr(path, "_interfaces", {Leg.LAN: "wlan0"})
    found = await path.diagnose(Leg.LAN)
    assert seen == asked
    on_the_way = server == "203.0.113.5"
    assert (found.gateway, found.neighbour) == (
        (Answer.YES, Answer.UNKNOWN) if on_the_way else (Answer.UNKNOWN, Answer.YES)
    )


def test_without_a_table_there_is_no_gateway_to_ask(tmp_path: Path) -> None:
    """Other systems: UNKNOWN, not NO."""
    assert gateway_to("203.0.113.5", tmp_path / "absent") is None
