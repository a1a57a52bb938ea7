"""The conductor and the observers of each attempt: when they are asked, what becomes of what they saw, how they end."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import pytest
from flag_scenes import host_sample, link_sample, observed
from visit_fakes import FakePath, Visit, basement_plan, broken, steady

from sitetest.engines.base import Availability, FailureKind, Reflector, TransferResult, TransferSpec, Watch
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import NOTHING, Observed
from sitetest.plan.cases import Leg
from sitetest.store.records import Status
from sitetest.visit.diagnosis import Diagnosis, Route
from sitetest.visit.events import LinkSeen, TransferStarted
from sitetest_wire.samples import Sample
from sitetest_wire.words import EngineName

ONE_TURN = basement_plan(("auto",))


@dataclass
class Beside:
    """Writes down what is asked of it. links: what the link is at each sample of the load; then nothing."""

    told: list[str]
    seen: Observed
    links: list[LinkSample | None]

    async def idle_before(self, reflector: Reflector | None) -> None:
        self.told.append("idle before")

    async def idle_after(self) -> None:
        self.told.append("idle after")

    def loaded(self, sample: Sample) -> None:
        self.told.append("loaded")

    def link_now(self) -> LinkSample | None:
        return self.links.pop(0) if self.links else None

    async def finish(self) -> Observed:
        self.told.append("finish")
        return self.seen

    def abandon(self) -> None:
        self.told.append("abandon")


@dataclass
class Observing:
    """Observers. seen: what each attempt's see, by its number from 1."""

    seen: Callable[[int], Observed] = lambda _: NOTHING
    links: Sequence[LinkSample | None] = ()
    told: list[str] = field(default_factory=list)
    asked: list[tuple[TransferSpec, Route | None, Leg]] = field(default_factory=list)

    async def beside(self, spec: TransferSpec, route: Route | None, leg: Leg) -> Beside:
        self.asked.append((spec, route, leg))
        self.told.append("beside")
        return Beside(self.told, self.seen(len(self.asked)), list(self.links))


class TellingPath(FakePath):
    """Says when it is asked what went wrong."""

    def __init__(self, told: list[str]) -> None:
        super().__init__()
        self._told = told

    async def diagnose(self, leg: Leg) -> Diagnosis:
        self._told.append("diagnose")
        return await super().diagnose(leg)


async def test_observers_stand_beside_each_attempt_from_before_its_lease_to_after_it() -> None:
    observers = Observing()
    visit = Visit(basement_plan(("auto",) * 2), observers=observers)
    await visit.run()
    assert observers.told == ["beside", "idle before", "loaded", "idle after", "finish", "abandon"] * 2
    assert [(spec, leg) for spec, _, leg in observers.asked] == [(call.spec, Leg.LAN) for call in visit.calls]
    assert [route for _, route, _ in observers.asked] == [Route("wlan0", "192.0.2.10")] * 2


async def test_what_they_saw_is_kept_with_the_attempt() -> None:
    """The link of `flag_scenes`: channel 36, 80 MHz, on an attempt of a steady 400 Mbit/s."""
    visit = Visit(ONE_TURN, observers=Observing(lambda _: observed()))
    await visit.run()
    [record] = visit.records
    assert (record.status, record.channel, record.width_mhz, record.link_source) == (Status.OK, 36, 80, "live")
    assert {second.channel for second in record.seconds} == {36}
    assert {one.kind for one in record.observations} >= {"link", "host", "interface"}


async def test_without_observers_every_column_of_theirs_is_empty() -> None:
    visit = Visit(ONE_TURN)
    await visit.run()
    [record] = visit.records
    assert (record.channel, record.rtt_idle_ms, record.latency_why, record.link_source) == (None, None, None, "none")
    assert (record.observations, record.unknown) == ((), ())


async def test_a_laptop_that_slept_during_the_transfer_is_measured_again() -> None:
    """The first try is invalid for a reason that only the observers know; the retry rule sees it as any other."""

    def seen(number: int) -> Observed:
        slept = tuple(host_sample(100.4 + second, slept_s=5.0 if second == 6 else 0.0) for second in range(1, 13))
        return observed(host=slept) if number == 1 else observed()

    visit = Visit(ONE_TURN, observers=Observing(seen))
    outcome = await visit.run()
    assert visit.statuses == [Status.INVALID, Status.OK]
    assert visit.records[0].reason.startswith("suspended: ")
    assert [flag.name for flag in visit.records[0].flags if flag.severity == "invalid"] == ["suspended"]
    assert outcome.open_slots == 0


async def test_the_network_is_asked_what_went_wrong_before_the_observers_take_their_time() -> None:
    observers = Observing()
    visit = Visit(
        ONE_TURN,
        lambda call: broken(call.spec, FailureKind.STALLED, until_s=5.0),
        path=TellingPath(observers.told),
        observers=observers,
    )
    await visit.run()
    assert observers.told[-3:] == ["diagnose", "finish", "abandon"]


class Chatty:
    """An engine that hands over four samples."""

    name = EngineName.HTTP

    def availability(self) -> Availability:
        return Availability(True)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        result = steady(spec)
        for sample in result.receiver[:4]:
            watch.sample(sample)
        return result


async def test_the_link_is_shown_once_for_each_of_its_samples() -> None:
    """Ten samples of the load come for one of the link."""
    now, later = link_sample(101.0, {}), link_sample(102.0, {})
    visit = Visit(ONE_TURN)
    conductor = replace(
        visit.conductor(),
        engines={(Leg.LAN, EngineName.HTTP): Chatty()},
        observers=Observing(links=[None, now, now, later]),
    )
    await conductor.run(visit.plan, visit.record)
    assert [event.sample for event in visit.heard(LinkSeen)] == [now, later]


async def test_a_stop_keeps_what_was_seen_until_then() -> None:
    observers = Observing(lambda _: observed())
    visit = Visit(ONE_TURN, lambda _: None, observers=observers)
    visit.subscribers = (lambda event: visit.stop.set() if isinstance(event, TransferStarted) else None,)
    await visit.run()
    assert visit.statuses == [Status.INTERRUPTED]
    assert visit.records[0].channel == 36
    assert observers.told[-2:] == ["finish", "abandon"]


async def test_a_cancellation_abandons_the_observers_and_waits_for_nothing() -> None:
    observers = Observing()
    visit = Visit(ONE_TURN, lambda _: None, observers=observers)
    begun = asyncio.Event()
    visit.subscribers = (lambda event: begun.set() if isinstance(event, TransferStarted) else None,)
    running = asyncio.create_task(visit.run())
    await begun.wait()
    await asyncio.sleep(0)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert observers.told[-1] == "abandon"
    assert "finish" not in observers.told
    assert visit.statuses == [Status.INTERRUPTED]
