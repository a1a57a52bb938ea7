"""Which server a run talks to, and with which token: the option, the site, the network, then what is remembered."""

from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import AsyncExitStack
from pathlib import Path

import pytest
from server_process import TOKEN, ServerProcess, server_process

from sitetest.cli.connection import Connections
from sitetest.cli.questions import agree, choose_ap_configs
from sitetest.engines.discovery import FoundServer
from sitetest.engines.known_servers import KnownServer, KnownServers
from sitetest.errors import ServerUnreachable, UsageError
from sitetest.plan.server_address import ServerAddress

ABSENT = "http://127.0.0.1:9"

Discover = Callable[[float], Awaitable[Sequence[FoundServer]]]


def network_with(*servers: FoundServer) -> Discover:
    async def discover(_: float) -> Sequence[FoundServer]:
        return servers

    return discover


def announced(server: ServerProcess, server_id: str | None = None) -> FoundServer:
    return FoundServer("bench", "127.0.0.1", server.port, server_id or server.server_id, 1, addresses=("127.0.0.1",))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    with server_process(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture
async def stack() -> AsyncIterator[AsyncExitStack]:
    async with AsyncExitStack() as opened:
        yield opened


@pytest.fixture
def known(tmp_path: Path) -> KnownServers:
    return KnownServers(tmp_path / "servers.json")


async def test_the_option_wins_over_the_site(stack: AsyncExitStack, known: KnownServers, server: ServerProcess) -> None:
    end = await Connections(stack, known, TOKEN).lan(f"127.0.0.1:{server.port}", ABSENT)
    assert end.identity is not None
    assert end.identity.server_id == server.server_id


async def test_a_server_that_is_silent_is_left_to_the_preflight(stack: AsyncExitStack, known: KnownServers) -> None:
    end = await Connections(stack, known, None).lan(None, ABSENT)
    assert (end.identity, end.label) == (None, "127.0.0.1")


async def test_the_one_server_on_the_network_is_taken(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess
) -> None:
    end = await Connections(stack, known, TOKEN, discover=network_with(announced(server))).lan(None, "auto")
    assert end.identity is not None
    assert end.identity.server_id == server.server_id


async def test_of_several_servers_none_is_guessed(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess
) -> None:
    two = network_with(announced(server), FoundServer("attic", "192.0.2.8", 17300, "id-2", 1))
    with pytest.raises(UsageError, match=r"2 test servers.*bench at .*attic at 192\.0\.2\.8:17300") as refused:
        await Connections(stack, known, TOKEN, discover=two).lan(None, "auto")
    assert "--server" in refused.value.next_step


async def test_another_server_than_announced_is_not_taken(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess
) -> None:
    impostor = network_with(announced(server, server_id="somebody-else"))
    with pytest.raises(ServerUnreachable, match="announces itself, but does not answer"):
        await Connections(stack, known, TOKEN, discover=impostor).lan(None, "auto")


async def test_where_nothing_announces_itself_the_server_of_last_time_is_asked(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess
) -> None:
    known.remember("gone", KnownServer("old", ABSENT, "gone"))
    known.remember(server.server_id, KnownServer(TOKEN, server.url, "bench"))
    end = await Connections(stack, known, None, discover=network_with()).lan(None, "auto")
    assert end.identity is not None
    assert (end.identity.server_id, end.token) == (server.server_id, TOKEN)


async def test_nothing_found_says_what_to_do(stack: AsyncExitStack, known: KnownServers) -> None:
    with pytest.raises(ServerUnreachable) as refused:
        await Connections(stack, known, None, discover=network_with()).lan(None, "auto")
    for word in ("sitetest-server", "guest network", "VPN", "--server", "site.toml"):
        assert word in refused.value.next_step


async def test_a_token_is_remembered_under_the_servers_id_and_only_when_told_that_it_worked(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess
) -> None:
    connections = Connections(stack, known, TOKEN)
    end = await connections.lan(f"127.0.0.1:{server.port}", ABSENT)
    assert known.all() == {}
    connections.worked(end)
    remembered = known.get(server.server_id)
    assert remembered is not None
    assert remembered.token == TOKEN


@pytest.mark.parametrize(("given", "token"), [(None, "kept"), ("far", "far")])
async def test_the_far_server_is_never_shown_the_token_of_the_wired_one(
    stack: AsyncExitStack, known: KnownServers, server: ServerProcess, given: str | None, token: str
) -> None:
    """What is given for it beats what is remembered of it."""
    address = ServerAddress("127.0.0.1", server.port)
    assert (await Connections(stack, known, "wired").internet(address)).token is None
    known.remember(server.server_id, KnownServer("kept", server.url, "bench"))
    assert (await Connections(stack, known, "wired", given).internet(address)).token == token


def answering(*lines: str | None) -> Callable[[], Awaitable[str | None]]:
    left = list(lines)

    async def next_line() -> str | None:
        return left.pop(0)

    return next_line


@pytest.mark.parametrize(
    ("typed", "chosen"),
    [
        ("", ("auto", "[wide80]")),
        ("2", ("[wide80]",)),
        ("[wide80], auto", ("[wide80]", "auto")),
        ("1,2", ("auto", "[wide80]")),
        ("narrow", ("narrow",)),  # not known: refused where all names are, with the nearest one
    ],
)
async def test_ap_configs_are_chosen_by_number_or_name(typed: str, chosen: tuple[str, ...]) -> None:
    said: list[str] = []
    assert await choose_ap_configs(["auto", "[wide80]"], answering(typed), said.append) == chosen
    assert "1 auto, 2 [wide80]" in said[0]


async def test_nobody_there_to_choose_is_wrong_use() -> None:
    with pytest.raises(UsageError) as refused:
        await choose_ap_configs(["auto", "wide80"], answering(None), lambda _: None)
    assert "--ap-config" in refused.value.next_step


@pytest.mark.parametrize(
    ("typed", "agreed"), [("y", True), ("YES ", True), ("", False), ("n", False), (None, False), ("yeah", False)]
)
async def test_only_a_plain_yes_agrees(typed: str | None, agreed: bool) -> None:
    assert await agree("Go on?", answering(typed), lambda _: None) is agreed
