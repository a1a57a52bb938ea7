"""What a lease has to do with the reflector: its holder is let in from its start to its end, and nobody else is."""

import itertools
from dataclasses import dataclass, field

import pytest
from invented_machine import InventedMachine
from server_app import FakeHost

from sitetest_server.engine_host import HostError
from sitetest_server.lease_desk import LeaseDesk
from sitetest_server.leases import LEASE_MARGIN_S, Caller
from sitetest_wire.messages import LEASE_SILENCE_S, LeaseRequest, Limits
from sitetest_wire.words import Direction, EngineName

COUNTER = Caller("192.0.2.77", "192.0.2.1")
READING_ROOM = Caller("192.0.2.78", "192.0.2.1")


@dataclass
class NotedReflector:
    """Who is let in now, and until when."""

    port: int = 17300
    admitted: dict[bytes, tuple[str | None, float]] = field(default_factory=dict)
    ever: list[bytes] = field(default_factory=list)

    def admit(self, token: bytes, *, until_s: float, host: str | None = None) -> None:
        self.admitted[token] = (host, until_s)
        self.ever.append(token)

    def revoke(self, token: bytes) -> None:
        del self.admitted[token]


@dataclass
class Bench:
    """A desk with a reflector, an invented machine's clock, and the requests of two laptops."""

    parallel: int = 1
    host: FakeHost = field(default_factory=FakeHost)
    machine: InventedMachine = field(default_factory=InventedMachine)
    reflector: NotedReflector = field(default_factory=NotedReflector)
    has_reflector: bool = True

    def __post_init__(self) -> None:
        ids, tokens = itertools.count(1), itertools.count(1)
        self.desk = LeaseDesk(
            limits=Limits(),
            host=self.host,
            link=None,
            clock=self.machine.clock,
            cpu_clock=lambda: 0.0,
            new_id=lambda: f"L{next(ids)}",
            machine=self.machine.machine(),
            reflector=self.reflector if self.has_reflector else None,
            new_token=lambda: bytes([next(tokens)] * 16),
            parallel=self.parallel,
        )


def request(engine: EngineName = EngineName.HTTP) -> LeaseRequest:
    return LeaseRequest("counter-laptop", engine, Direction.DOWNLOAD, 2, 3.0, 30.0)


async def test_the_holder_is_told_the_port_and_a_token_that_is_let_in_for_its_address_until_the_end() -> None:
    bench = Bench()
    state = await bench.desk.ask(request(), COUNTER)
    assert state.reflector_port == 17300
    assert state.reflector_token == "01" * 16
    until_s = bench.machine.now_s + 3 + 30 + LEASE_MARGIN_S
    assert bench.reflector.admitted == {b"\x01" * 16: ("192.0.2.77", until_s)}
    assert await bench.desk.hear(state.lease_id) == state, "the same token as long as it lives"


async def test_it_is_let_in_no_more_once_the_lease_is_given_back() -> None:
    bench = Bench()
    state = await bench.desk.ask(request(), COUNTER)
    bench.desk.release(state.lease_id)
    assert bench.reflector.admitted == {}
    ended = await bench.desk.hear(state.lease_id)
    assert (ended.phase, ended.reflector_port, ended.reflector_token) == ("ended", None, None)


@pytest.mark.parametrize("pushed_s", [LEASE_SILENCE_S, 3 + 30 + LEASE_MARGIN_S])
async def test_it_is_let_in_no_more_once_the_lease_ends_by_itself(pushed_s: float) -> None:
    """By its agent's silence, or by its time."""
    bench = Bench()
    state = await bench.desk.ask(request(), COUNTER)
    bench.machine.now_s += pushed_s
    assert (await bench.desk.hear(state.lease_id)).phase == "ended"
    assert bench.reflector.admitted == {}


async def test_whoever_waits_is_let_in_when_its_turn_comes_with_a_token_of_its_own() -> None:
    bench = Bench()
    first = await bench.desk.ask(request(), COUNTER)
    second = await bench.desk.ask(request(), READING_ROOM)
    assert (second.phase, second.reflector_port, second.reflector_token) == ("waiting", None, None)
    assert len(bench.reflector.admitted) == 1
    bench.desk.release(first.lease_id)
    now_active = await bench.desk.hear(second.lease_id)
    assert now_active.phase == "active"
    assert now_active.reflector_token not in (None, first.reflector_token)
    assert [host for host, _ in bench.reflector.admitted.values()] == ["192.0.2.78"]


async def test_who_asks_how_the_leases_stand_is_told_no_tokens() -> None:
    bench = Bench(parallel=2)
    for caller in (COUNTER, READING_ROOM):
        assert (await bench.desk.ask(request(), caller)).reflector_token is not None
    assert [state.reflector_token for state in bench.desk.states()] == [None, None]
    assert len(bench.reflector.admitted) == 2


async def test_a_stopped_server_lets_nobody_in() -> None:
    bench = Bench(parallel=2)
    for caller in (COUNTER, READING_ROOM):
        await bench.desk.ask(request(), caller)
    await bench.desk.stop()
    assert bench.reflector.admitted == {}
    assert len(bench.reflector.ever) == 2


async def test_a_lease_that_could_not_be_served_leaves_nobody_let_in() -> None:
    bench = Bench(host=FakeHost(failure="no port is free"))
    with pytest.raises(HostError):
        await bench.desk.ask(request(EngineName.IPERF3), COUNTER)
    assert bench.reflector.admitted == {}
    await bench.desk.stop()


async def test_a_server_without_a_reflector_gives_leases_and_says_so() -> None:
    bench = Bench(has_reflector=False)
    state = await bench.desk.ask(request(), COUNTER)
    assert state.phase == "active"
    assert (state.reflector_port, state.reflector_token) == (None, None)
    bench.desk.release(state.lease_id)


async def test_the_iperf3_host_is_started_for_the_address_that_asked() -> None:
    bench = Bench()
    state = await bench.desk.ask(request(EngineName.IPERF3), COUNTER)
    assert bench.host.only_from == ["192.0.2.77"]
    assert state.reflector_token is not None
    await bench.desk.stop()
