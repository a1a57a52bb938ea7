"""Is everything fit to measure: each thing that is not, and what it stops."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from visit_fakes import basement_plan

from sitetest.engines.base import Availability, TransferResult, TransferSpec, Watch
from sitetest.errors import (
    EngineUnusable,
    Exit,
    ServerRefused,
    ServerUnreachable,
    SitetestError,
    StoreFull,
    StoreNotWritable,
    UsageError,
    VersionMismatch,
)
from sitetest.plan.cases import Leg, Plan
from sitetest.visit.conductor import ApConfigFacts
from sitetest.visit.preflight import LEAST_FREE_BYTES, Preflight, examine, planned_bytes, preflight
from sitetest_wire.messages import PROTOCOL_VERSION, EngineOffer, Identity, LeaseRequest, Limits
from sitetest_wire.words import EngineName

IDENTITY = Identity(
    server_id="s1",
    name="counter-server",
    version="0.1.0",
    protocol=PROTOCOL_VERSION,
    engines={EngineName.HTTP: EngineOffer(True, "3.12")},
    limits=Limits(),
)


USABLE = Availability(True, "3.12")


class Refusal(Exception):
    """What a door raises in its own words."""


class Door:
    """A test server at the other side of a fake door."""

    def __init__(
        self, identity: Identity | Exception = IDENTITY, lease: Exception | None = None, queue: bool = False
    ) -> None:
        self._identity = identity
        self._lease = lease
        self._queue = queue
        self.requests: list[LeaseRequest] = []
        self.given_back = 0

    async def identity(self) -> Identity:
        if isinstance(self._identity, Exception):
            raise self._identity
        return self._identity

    def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AbstractAsyncContextManager[object]:
        self.requests.append(request)
        return self._held(watch, stop)

    @asynccontextmanager
    async def _held(self, watch: Watch, stop: asyncio.Event | None) -> AsyncIterator[object]:
        if self._lease is not None:
            raise self._lease
        if self._queue:
            watch.waiting(1, 33.0, "another laptop")
            assert stop is not None
            assert stop.is_set(), "the preflight does not wait in a queue"
            raise Refusal("stopped while waiting")
        watch.started()
        yield object()
        self.given_back += 1


class Here:
    """An engine of this laptop."""

    def __init__(self, available: Availability, name: EngineName = EngineName.HTTP) -> None:
        self.name = name
        self._available = available

    def availability(self) -> Availability:
        return self._available

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        raise AssertionError("the preflight transfers nothing")


def asked(
    tmp_path: Path,
    plan: Plan | None = None,
    doors: Mapping[Leg, Door] | None = None,
    available: Availability = USABLE,
    commands: Mapping[str, list[str]] | None = None,
    somebody: bool = True,
    free: int = 10**12,
) -> Preflight:
    plan = plan or basement_plan()
    commands = commands or {}
    return Preflight(
        plan=plan,
        doors=doors if doors is not None else {Leg.LAN: Door()},
        engines={(case.leg, case.engine): Here(available, case.engine) for case in plan.cases},
        problems=(Refusal,),
        translate=lambda problem: ServerRefused(f"refused: {problem}", "give a token"),
        agent="laptop",
        results_dir=tmp_path / "results",
        wanted_bytes=planned_bytes(plan.timing, len(plan.slots)),
        ap_configs={name: ApConfigFacts("counter", by_command=name in commands) for name in ("auto", "wide80")},
        commands=commands,
        somebody_to_ask=somebody,
        free_bytes=lambda folder: free,
    )


async def test_when_all_is_well_every_answer_is_listed_and_the_lease_is_given_back(tmp_path: Path) -> None:
    """Nothing is left changed."""
    door = Door()
    checks = await preflight(asked(tmp_path, doors={Leg.LAN: door}))
    assert all(check.ok and not check.next_step for check in checks)
    assert [check.name for check in checks] == [
        "AP configs can be applied",
        "engine http on this laptop (lan)",
        "room for results",
        "results can be written",
        "server of the lan leg",
        "engine http at counter-server (lan)",
        "lease for http at counter-server (lan)",
    ]
    assert door.given_back == 1
    assert (door.requests[0].agent, door.requests[0].streams, door.requests[0].duration_s) == ("laptop", 2, 10.0)


ABBA = basement_plan(("auto", "wide80", "wide80", "auto"))
NEWER = replace(IDENTITY, protocol=PROTOCOL_VERSION + 1)
NO_ENGINE = replace(IDENTITY, engines={EngineName.HTTP: EngineOffer(False, reason="switched off")})


@pytest.mark.parametrize(
    ("changes", "error", "code", "says"),
    [
        ({"plan": ABBA, "somebody": False}, UsageError, Exit.WRONG_USE, "no apply command for: auto, wide80"),
        (
            {"plan": ABBA, "somebody": False, "commands": {"auto": ["sh"]}},
            UsageError,
            Exit.WRONG_USE,
            "no apply command for: wide80",
        ),
        ({"commands": {"auto": ["no-such-program"]}}, UsageError, Exit.WRONG_USE, "'no-such-program' is not found"),
        (
            {"available": Availability(False, reason="libiperf is not installed")},
            EngineUnusable,
            Exit.WRONG_USE,
            "on this laptop: libiperf is not installed",
        ),
        ({"free": LEAST_FREE_BYTES - 1}, StoreFull, Exit.INCOMPLETE, "50 MB"),
        ({"doors": {Leg.LAN: Door(ServerUnreachable("nobody"))}}, ServerUnreachable, Exit.SERVER, "nobody"),
        ({"doors": {Leg.LAN: Door(Refusal("token"))}}, ServerRefused, Exit.SERVER, "refused: token"),
        ({"doors": {Leg.LAN: Door(NEWER)}}, VersionMismatch, Exit.SERVER, "the agent is the older one"),
        ({"doors": {Leg.LAN: Door(NO_ENGINE)}}, EngineUnusable, Exit.WRONG_USE, "at counter-server: switched off"),
        ({"doors": {Leg.LAN: Door(lease=Refusal("wrong token"))}}, ServerRefused, Exit.SERVER, "refused: wrong token"),
    ],
)
async def test_what_must_stop_the_run_does(
    tmp_path: Path, changes: dict[str, object], error: type[SitetestError], code: Exit, says: str
) -> None:
    """The right error, the right exit code, what was found, and what to do next."""
    with pytest.raises(error) as stopped:
        await preflight(asked(tmp_path, **changes))  # type: ignore[arg-type]  # a table of keyword arguments
    assert says in stopped.value.message
    assert stopped.value.exit_code is code
    assert stopped.value.next_step or "nobody" in says
    checks = await examine(asked(tmp_path, **changes))  # type: ignore[arg-type]
    assert sum(not check.ok for check in checks) == 1, "examine goes on and finds this alone"
    assert len(checks) >= 4


async def test_somebody_there_or_apply_commands_are_enough_for_several_ap_configs(tmp_path: Path) -> None:
    """By hand with a person, by command without."""
    assert (await preflight(asked(tmp_path, ABBA)))[0].detail == "2 AP configs; switched by hand: auto, wide80"
    commands = {"auto": ["sh"], "wide80": ["sh"]}
    checks = await preflight(asked(tmp_path, ABBA, commands=commands, somebody=False))
    assert [check.name for check in checks[1:3]] == ["apply command of auto", "apply command of wide80"]


async def test_a_script_that_is_not_there_is_said_before_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The interpreter exists; what it is to run does not."""
    monkeypatch.chdir(tmp_path)
    commands = {"auto": ["sh", "switch_ap.sh", "--width", "80"]}
    with pytest.raises(UsageError, match=r"sh is to run 'switch_ap\.sh', and there is no such file in"):
        await preflight(asked(tmp_path, commands=commands))
    (tmp_path / "switch_ap.sh").write_text("exit 0\n", encoding="utf-8")
    checks = await preflight(asked(tmp_path, commands=commands))
    assert checks[1].detail.endswith("sh switch_ap.sh")


@pytest.mark.parametrize("command", [["sh", "-c", "exit 0"], ["true", "no-such-file"], ["sh"]], ids=" ".join)
async def test_what_is_no_script_is_not_taken_for_one(tmp_path: Path, command: list[str]) -> None:
    assert (await preflight(asked(tmp_path, commands={"auto": command})))[1].ok


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder in which nobody can make a file")
async def test_a_results_folder_that_cannot_be_written_to_stops_the_run() -> None:
    """/proc takes no files, not even from root (proc(5))."""
    with pytest.raises(StoreNotWritable, match="Nothing can be written to /proc/self"):
        await preflight(asked(Path("/proc/self/site")))


async def test_asking_leaves_nothing_in_the_results_folder(tmp_path: Path) -> None:
    (tmp_path / "results").mkdir()
    await examine(asked(tmp_path))
    assert list((tmp_path / "results").iterdir()) == []


async def test_a_token_that_is_refused_is_said_once_for_all_engines(tmp_path: Path) -> None:
    door = Door(replace(IDENTITY, engines=dict.fromkeys(EngineName, EngineOffer(True, "1"))), lease=Refusal("token"))
    plan = basement_plan()
    other = tuple(
        replace(turn, slots=tuple(replace(one, case=replace(one.case, engine=EngineName.IPERF3)) for one in turn.slots))
        for turn in plan.turns
    )
    checks = await examine(asked(tmp_path, replace(plan, turns=plan.turns + other), doors={Leg.LAN: door}))
    assert [check.name for check in checks if check.stops is not None] == ["lease for http at counter-server (lan)"]
    assert len(door.requests) == 1


async def test_one_ap_config_without_a_command_needs_nobody(tmp_path: Path) -> None:
    """It is the one that the person named."""
    assert (await preflight(asked(tmp_path, somebody=False)))[0].ok


async def test_another_agent_measuring_is_no_reason_to_stop_nor_to_wait(tmp_path: Path) -> None:
    """A place in the queue shows that token and lease work."""
    checks = await preflight(asked(tmp_path, doors={Leg.LAN: Door(queue=True)}))
    assert (checks[-1].ok, checks[-1].detail) == (True, "granted in turn; now another laptop is measuring")


@pytest.mark.parametrize("door", [Door(ServerUnreachable("line cut")), Door(NEWER), Door(lease=Refusal("token"))])
async def test_an_internet_server_that_is_away_does_not_stop_a_run_that_has_a_lan_leg(
    tmp_path: Path, door: Door
) -> None:
    """It is said, and the LAN leg is measured all the same."""
    plan = basement_plan(legs=(Leg.LAN, Leg.INTERNET))
    checks = await preflight(asked(tmp_path, plan, doors={Leg.LAN: Door(), Leg.INTERNET: door}))
    assert not checks[-1].ok
    assert checks[-1].detail.endswith("The LAN leg is measured all the same.")


async def test_an_internet_server_that_is_away_stops_a_run_that_has_nothing_else(tmp_path: Path) -> None:
    """There would be nothing to measure."""
    plan = basement_plan(legs=(Leg.INTERNET,))
    with pytest.raises(ServerUnreachable):
        await preflight(asked(tmp_path, plan, doors={Leg.INTERNET: Door(ServerUnreachable("line cut"))}))


async def test_a_fault_of_ours_in_a_door_is_not_dressed_up(tmp_path: Path) -> None:
    """Only declared problems are translated."""
    with pytest.raises(ZeroDivisionError):
        await preflight(asked(tmp_path, doors={Leg.LAN: Door(ZeroDivisionError())}))


async def test_iperf3_missing_names_the_way_out(tmp_path: Path) -> None:
    """How to install it stands in the reason; --engine http in the next step."""
    plan = basement_plan()
    turns = tuple(
        replace(
            turn,
            slots=tuple(replace(slot, case=replace(slot.case, engine=EngineName.IPERF3)) for slot in turn.slots),
        )
        for turn in plan.turns
    )
    missing = Availability(False, reason="libiperf is missing: install it with apt install libiperf0")
    with pytest.raises(EngineUnusable) as stopped:
        await preflight(asked(tmp_path, replace(plan, turns=turns), available=missing))
    assert "apt install libiperf0" in stopped.value.message
    assert "--engine http" in stopped.value.next_step


def test_the_room_that_a_plan_wants_grows_with_streams_and_seconds() -> None:
    """An attempt of 8 streams and 40 s is about 150 KB with libiperf's own record (measured: 0.35 KB a stream
    and second); the estimate is above that and within a factor of three, retries not counted."""
    plan = basement_plan(("auto",))
    busy = replace(plan, timing=replace(plan.timing, streams=8, warm_up_s=0.0, duration_s=40.0))
    per_attempt = planned_bytes(busy.timing, len(busy.slots)) / 2
    assert 8 * 40 * 350 < per_attempt < 3 * 150_000
    assert planned_bytes(plan.timing, 4) == 4 * planned_bytes(plan.timing, 1)
