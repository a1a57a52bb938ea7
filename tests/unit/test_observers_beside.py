"""The observers of an attempt: beside a real transfer, in their order, and when something hangs, fails or is cancelled.

Nothing here has a radio: a scenario or a reader that knows nothing stands for it.
"""

import asyncio
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

import pytest
from http_transfers import KeepingWatch, http_transfer, until
from server_app import TOKEN, server_app

from sitetest.engines.base import Reflector as Reachable
from sitetest.engines.base import TransferSpec
from sitetest.observe import beside as beside_module
from sitetest.observe import slow_facts
from sitetest.observe.beside import SystemBeside, SystemObservers
from sitetest.observe.host_sampler import HostSampler
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, SourceKind
from sitetest.observe.link.sampler import LinkSampler
from sitetest.observe.link.scenario import steady
from sitetest.observe.link.scenario_reader import ScenarioReader
from sitetest.observe.probe_record import LatencyRecord, Phase
from sitetest.observe.responsiveness import TinyObject
from sitetest.plan.cases import Leg
from sitetest.plan.idle_path import idle_s
from sitetest.visit.diagnosis import Route
from sitetest.visit.figures import figures
from sitetest.visit.protocols import Observers
from sitetest.visit.recording import second_records
from sitetest_server.reflector import Reflector
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

SPEC = TransferSpec(Direction.DOWNLOAD, streams=1, warm_up_s=0.3, duration_s=1.2)
LO = Route("lo", "127.0.0.1")
WAYS: dict[str, Callable[[], LinkReader]] = {
    "no radio": lambda: NoReader(Reason.NOT_WIFI),
    "simulated": lambda: ScenarioReader(steady(), FullNames()),
}


def observer_threads() -> list[threading.Thread]:
    """Threads of samplers that run."""
    return [
        thread for thread in threading.enumerate() if thread.name in ("link-sampler", "link-events", "host-sampler")
    ]


def as_watch(beside: SystemBeside) -> KeepingWatch:
    return KeepingWatch(on_sample=beside.loaded, before=beside.idle_before, after=beside.idle_after)


# -- beside a real transfer --------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("direction", list(Direction))
async def test_a_real_transfer_is_seen_from_all_sides(direction: Direction) -> None:
    """Server, reflector and API in this process on loopback; no radio here: the scenario says so in every record."""
    reflector = await Reflector.open("127.0.0.1")
    async with server_app(reflector=reflector) as app:
        observers = SystemObservers(
            reader=WAYS["simulated"], tiny_objects={"lan": TinyObject("127.0.0.1", app.port, "/v1/identity")}
        )
        spec = TransferSpec(direction, streams=1, warm_up_s=0.3, duration_s=1.2)
        beside = await observers.beside(spec, LO, "lan")
        result = await http_transfer(f"http://127.0.0.1:{app.port}", TOKEN, spec, watch=as_watch(beside))
        seen = await beside.finish()
        await observers.close()
    reflector.close()
    await asyncio.sleep(0)
    assert result.failure is None
    assert seen.load_from_s is not None
    assert seen.load_until_s is not None
    assert seen.load_until_s - seen.load_from_s > 1.4
    assert seen.latency is not None
    answered = {phase: [ms for ms in seen.latency.rtts_ms(phase) if ms is not None] for phase in Phase}
    assert all(answered.values()), answered
    assert seen.latency.why is None
    assert seen.interface is not None
    assert seen.interface.name == "lo"
    assert seen.link is not None
    assert {sample.source.kind for sample in seen.link.samples} == {SourceKind.SIMULATED}
    assert beside.link_now() in seen.link.samples
    assert sum(sample.length_s for sample in seen.host) > 1.4, "from before the load to its end"
    assert any(probe.times is not None for probe in seen.foreign)
    columns = figures(result, seen, second_records(result)).columns()
    assert columns["rtt_idle_ms"] > 0
    assert 0 < columns["rtt_loaded_p50_ms"] <= columns["rtt_loaded_p95_ms"]
    assert columns["link_source"] == "simulated"
    assert observer_threads() == []


# -- order and times ---------------------------------------------------------------------------------------------


@dataclass
class Prober:
    """Stands for the latency prober; writes down what is asked of it. answers: its last probes come back."""

    told: list[str]
    answers: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self) -> None:
        self.told.append("probing")

    def enter(self, phase: Phase) -> None:
        self.told.append(phase.value)

    async def finish(self) -> LatencyRecord:
        self.told.append("no more probes")
        await self.answers.wait()
        return LatencyRecord()


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    told: list[str] = []
    prober = Prober(told)

    def made(address: tuple[str, int], token: bytes | None) -> Prober:
        told.append(f"{address[0]}:{address[1]} {token!r}")
        return prober

    monkeypatch.setattr(beside_module, "LatencyProber", made)
    monkeypatch.setattr(beside_module, "LAST_ANSWERS_S", 0.01)
    return told


def sleeper(told: list[str]) -> Callable[[float], Awaitable[None]]:
    async def sleep(duration_s: float) -> None:
        told.append(f"slept {duration_s:g}")
        await asyncio.sleep(0)

    return sleep


async def test_probes_change_phase_when_the_load_does_and_end_before_the_lease(told: list[str]) -> None:
    """The last answers never come here: they are waited for LAST_ANSWERS_S, not the prober's own two seconds."""
    observers = SystemObservers(reader=WAYS["no radio"], sleep=sleeper(told))
    spec = TransferSpec(Direction.DOWNLOAD, streams=1, warm_up_s=3.0, duration_s=30.0)
    beside = await observers.beside(spec, None, "lan")
    await beside.idle_before(Reachable("192.0.2.7", 862, b"sixteen bytes .."))
    await beside.idle_after()
    assert told == [
        "192.0.2.7:862 b'sixteen bytes ..'", "slept 1", "probing", "loaded", "idle_after", "slept 1", "no more probes",
    ]  # fmt: skip
    beside.abandon()
    await observers.close()


@pytest.mark.parametrize(("total_s", "idle"), [(33.0, 1.0), (10.0, 1.0), (3.0, 0.3), (0.5, 0.05)])
def test_the_path_is_idle_for_a_second_or_a_tenth_of_a_short_transfer(total_s: float, idle: float) -> None:
    assert idle_s(total_s) == pytest.approx(idle)


async def test_without_a_reflector_nothing_is_waited_for(told: list[str]) -> None:
    observers = SystemObservers(reader=WAYS["no radio"], sleep=sleeper(told))
    beside = await observers.beside(SPEC, None, "internet")
    await beside.idle_before(None)
    await beside.idle_after()
    seen = await beside.finish()
    await observers.close()
    assert told == []
    assert seen.latency is None
    assert seen.foreign == ()
    assert seen.load_from_s is not None


async def test_samplers_are_laid_onto_the_seconds_of_the_test_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Their zero is at 50 on our clock; all streams are up at 0.2 s and the warm-up lasts 0.3 s: the window begins at
    50.5. Host samples end on its seconds, link samples lie in the middle of them."""
    grids: list[tuple[str, float]] = []
    monkeypatch.setattr(LinkSampler, "align", lambda _, at_s: grids.append(("link", at_s)))
    monkeypatch.setattr(HostSampler, "align", lambda _, at_s: grids.append(("host", at_s)))
    now_s = [50.0]
    observers = SystemObservers(reader=WAYS["no radio"], clock=lambda: now_s[0])
    beside = await observers.beside(SPEC, LO, "lan")
    for at_s, count in ((0.1, 0), (0.2, 5), (0.3, 9)):
        now_s[0] = 50.0 + at_s
        beside.loaded(Sample(at_s, (count,), CountedAs.RECEIVED))
    beside.abandon()
    await observers.close()
    assert dict(grids) == pytest.approx({"host": 50.5, "link": 51.0})
    assert len(grids) == 2


# -- when something is wrong -------------------------------------------------------------------------------------


async def test_without_a_known_interface_the_computer_is_still_observed() -> None:
    observers = SystemObservers(reader=WAYS["no radio"])
    beside = await observers.beside(SPEC, Route(None, "192.0.2.10"), "lan")
    seen = await beside.finish()
    await observers.close()
    assert (seen.link, seen.interface, seen.facts_before, seen.load_from_s) == (None, None, None, None)
    assert seen.host
    assert {sample.received_bytes for sample in seen.host} == {None}
    assert seen.host[0].why["received_bytes"] == Reason.NO_SUCH_INTERFACE


class Hanging(NoReader):
    """Its slow facts do not come back before they are let go."""

    def __init__(self) -> None:
        super().__init__(Reason.NOT_WIFI)
        self.let_go = threading.Event()
        self.closed = False

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        self.let_go.wait(30.0)
        return super().facts(interface, deadline_s)

    def close(self) -> None:
        self.closed = True


async def test_facts_that_hang_are_left_behind_with_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(slow_facts, "LINK_FACTS_LIMIT_S", 0.05)
    reader = Hanging()
    observers = SystemObservers(reader=lambda: reader)
    beside = await observers.beside(SPEC, LO, "lan")
    seen = await beside.finish()
    for facts in (seen.facts_before, seen.facts_after):
        assert facts is not None
        assert set(facts.why.values()) == {Reason.TIMEOUT}
    assert seen.link is not None
    assert seen.link.samples[0].why["associated"] is Reason.TIMEOUT, "the reader is still busy with the facts"
    assert seen.interface is not None
    reader.let_go.set()
    await until(lambda: not any(thread.name == "link-reader" for thread in threading.enumerate()))
    await observers.close()
    assert reader.closed


async def test_a_reader_that_cannot_be_made_costs_the_link_alone(caplog: pytest.LogCaptureFixture) -> None:
    def broken() -> LinkReader:
        raise RuntimeError("no such bus")

    observers = SystemObservers(reader=broken)
    beside = await observers.beside(SPEC, LO, "lan")
    seen = await beside.finish()
    await observers.close()
    assert seen.link is not None
    assert {sample.why["associated"] for sample in seen.link.samples} == {Reason.READER_UNAVAILABLE}
    assert seen.host
    assert "no such bus" in caplog.text, "a fault is told, not hidden"


async def test_one_reader_serves_the_whole_run() -> None:
    made: list[ScenarioReader] = []

    def reader() -> ScenarioReader:
        made.append(ScenarioReader(steady(), FullNames()))
        return made[-1]

    observers = SystemObservers(reader=reader)
    for_the_conductor: Observers = observers
    for _ in range(2):
        beside = await for_the_conductor.beside(SPEC, LO, Leg.LAN)
        seen = await beside.finish()
        assert seen.link is not None
        assert seen.link.samples[0].associated
    await observers.close()
    assert len(made) == 1


async def test_abandoning_stops_every_thread_and_task() -> None:
    before = asyncio.all_tasks()
    observers = SystemObservers(
        reader=WAYS["simulated"],
        tiny_objects={"lan": TinyObject("127.0.0.1", 9, "/")},
        sleep=lambda _: asyncio.sleep(0),
    )
    beside = await observers.beside(SPEC, LO, "lan")
    await beside.idle_before(Reachable("127.0.0.1", 9))
    assert len(observer_threads()) == 3
    assert len(asyncio.all_tasks() - before) == 2
    beside.abandon()
    await until(lambda: not observer_threads() and asyncio.all_tasks() == before)
    await observers.close()


async def test_a_cancellation_while_it_begins_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """The facts of the interface hang when the person stops everything."""
    reader = Hanging()
    observers = SystemObservers(reader=lambda: reader)
    beginning = asyncio.create_task(observers.beside(SPEC, LO, "lan"))
    await until(lambda: any(thread.name == "link-reader" for thread in threading.enumerate()))
    beginning.cancel()
    with pytest.raises(asyncio.CancelledError):
        await beginning
    assert observer_threads() == []
    reader.let_go.set()
    await observers.close()
