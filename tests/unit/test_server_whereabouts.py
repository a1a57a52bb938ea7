"""A server that moved to another address is found again by its identity, and by nothing else."""

from collections.abc import Sequence

import pytest
from server_app import TOKEN, server_app

from sitetest.cli.connection import FarEnd
from sitetest.cli.server_whereabouts import ServerWhereabouts
from sitetest.engines.discovery import FoundServer
from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import ServerApi
from sitetest.plan.cases import Leg
from sitetest.plan.server_address import ServerAddress
from sitetest.visit.path import SystemPath, Target

SERVER_ID = "0123456789abcdef"  # of every server_app


def announced(port: int, server_id: str = SERVER_ID, *, tls: bool = False) -> FoundServer:
    return FoundServer("till-room", "127.0.0.1", port, server_id, 1, tls=tls)


class Network:
    """What DNS-SD finds."""

    def __init__(self, *found: FoundServer) -> None:
        self.found = found
        self.asked = 0

    async def discover(self, _wait_s: float) -> Sequence[FoundServer]:
        self.asked += 1
        return self.found


async def test_a_server_that_moved_is_used_at_its_new_place_by_all() -> None:
    async with server_app() as before, ServerApi(f"127.0.0.1:{before.port}", TOKEN) as api:
        identity = await api.identity()
        old_port = before.port
    async with server_app() as after:
        path = SystemPath({Leg.LAN: Target("127.0.0.1", old_port, api.identity, (TransferProblem,))})
        assert not await path.answers(Leg.LAN)
        network = Network(announced(1, "another"), announced(after.port))
        whereabouts = ServerWhereabouts(
            Leg.LAN, FarEnd(api, identity, TOKEN), path, discovered=True, discover=network.discover
        )
        assert await whereabouts.find_again() == f"127.0.0.1:{after.port}"
        assert (api.port, api.reached_at) == (after.port, "127.0.0.1")
        assert await path.answers(Leg.LAN)
        assert await whereabouts.find_again() is None  # it is where it is thought to be
        await api.close()


@pytest.mark.parametrize("what", ["another server under the same name", "nobody there", "over TLS", "not discovered"])
async def test_nobody_else_is_taken_for_it(what: str) -> None:
    async with server_app() as app, ServerApi(f"127.0.0.1:{app.port}", TOKEN) as api:
        identity = await api.identity()
    async with server_app() as other:
        path = SystemPath({Leg.LAN: Target("127.0.0.1", app.port, api.identity, (TransferProblem,))})
        found = {
            "another server under the same name": announced(other.port, "ffffffffffffffff"),
            "nobody there": announced(app.port + 1 if app.port + 1 != other.port else app.port + 2),
            "over TLS": announced(other.port, tls=True),
            "not discovered": announced(other.port),
        }[what]
        network = Network(found)
        whereabouts = ServerWhereabouts(
            Leg.LAN, FarEnd(api, identity, TOKEN), path, discovered=what != "not discovered", discover=network.discover
        )
        assert await whereabouts.find_again() is None
        assert api.port == app.port
        assert network.asked == (what != "not discovered")
        await api.close()


def test_what_was_spoken_to_over_tls_is_never_spoken_to_without_it() -> None:
    api = ServerApi("https://127.0.0.1:17300", TOKEN)
    with pytest.raises(ValueError, match="cannot move"):
        api.move_to(ServerAddress("127.0.0.1", 17301, "http"))
    assert api.base_url == "https://127.0.0.1:17300"


async def test_a_name_is_looked_up_again_once_it_may_have_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    """The lookup itself is the system's; what is tested is that the remembered answer is given up."""
    answers = iter(["127.0.0.1", "127.0.0.9"])
    looked_up = []

    async def look_up(host: str) -> str:
        looked_up.append(host)
        return next(answers)

    monkeypatch.setattr("sitetest.visit.path._look_up", look_up)
    async with ServerApi("till-room:17300", TOKEN) as api:
        path = SystemPath({Leg.LAN: Target("till-room", 17300, api.identity)})
        for _ in range(2):
            route = await path.route(Leg.LAN)
            assert route is not None
        assert looked_up == ["till-room"]
        whereabouts = ServerWhereabouts(Leg.LAN, FarEnd(api, None, TOKEN), path, discovered=False)
        assert await whereabouts.find_again() is None
        await path.route(Leg.LAN)
        assert looked_up == ["till-room", "till-room"]
