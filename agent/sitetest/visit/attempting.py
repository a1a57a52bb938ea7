"""How one attempt is made: the same for a run and a soak, which differ in what an attempt leads to.

    begin    announced in the store as ``interrupted``, before its first byte
    make     transfer, the observers beside it -> the network is asked if it went wrong -> judged -> the whole record

What is done with the record is the conductor's: it is not kept here. A stop ends the transfer, and the record says
``interrupted``; a cancellation passes through at once, and the announcement then stands as the record.

May import plan, store.records, engines.base, the records of observe, visit, sitetest_wire and the standard library
only.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from sitetest.engines.base import Engine, FailureKind, Reflector, TransferResult, TransferSpec
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.plan.cases import Leg, Slot, Timing
from sitetest.store.records import AttemptRecord, BaselineRecord, Flag, Purpose, Status, VisitRecord
from sitetest.visit.clock import WallClockWatch
from sitetest.visit.data_budget import CUT_OFF
from sitetest.visit.diagnosis import Diagnosis, Route
from sitetest.visit.events import LinkSeen, Progressed, ServerQueue, TransferStarted
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.flags import confounders, weighed
from sitetest.visit.limits import with_binding
from sitetest.visit.protocols import Beside, Clock, Keeper, Observers, Path
from sitetest.visit.recording import finished
from sitetest.visit.scene import Earlier, Scene
from sitetest.visit.timeline import timeline
from sitetest.visit.turn_begin import ApConfigFacts
from sitetest.visit.validity import Evidence, Judgement, judge, went_wrong
from sitetest_wire.samples import Sample
from sitetest_wire.words import EngineName

TransferEvent = ServerQueue | TransferStarted | Progressed | LinkSeen
"""What is told while a transfer runs."""

_CUT_OFF_REASON = f"{CUT_OFF}: the agent ended before this attempt did"


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What attempts are made with, passed in by whoever puts a visit together.

    engines: by leg and name; every one that the plan names. ap_configs: every one that the plan names. servers: label
    of the server of each leg, for the rows. new_id: gives an attempt its name. stop: set by whoever wants the visit to
    end. observers: None when there is none. expected: what the site declares for AP configs. baseline: of the wire to
    the LAN server; None when it was never measured.
    """

    clock: Clock
    keeper: Keeper
    engines: Mapping[tuple[Leg, EngineName], Engine]
    path: Path
    ap_configs: Mapping[str, ApConfigFacts]
    servers: Mapping[Leg, str]
    new_id: Callable[[], str]
    stop: asyncio.Event
    observers: Observers | None = None
    expected: Mapping[str, ExpectedRadio] = field(default_factory=dict)
    baseline: BaselineRecord | None = None


@dataclass(frozen=True, slots=True)
class Begun:
    """An attempt that is announced in the store. record: what stands there if the agent dies now."""

    slot: Slot
    record: AttemptRecord
    began_s: float
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True)
class Made:
    """An attempt that is over. record: whole, to be kept. diagnosis: None where nothing was asked."""

    record: AttemptRecord
    diagnosis: Diagnosis | None

    @property
    def interrupted(self) -> bool:
        """Whether a stop ended it."""
        return self.record.status is Status.INTERRUPTED


class Attempting:
    """Makes the attempts of one part of a visit, one after the other.

    began_s: when the part began, on the monotonic clock. publish: tells subscribers. note: keeps and tells something
    that is worth knowing. last_order_index: of the visit so far.
    """

    def __init__(
        self,
        means: Means,
        visit: VisitRecord,
        timing: Timing,
        *,
        began_s: float,
        publish: Callable[[TransferEvent], None],
        note: Callable[[str, str], None],
        last_order_index: int = 0,
    ) -> None:
        self._means = means
        self._visit = visit
        self._timing = timing
        self._began_s = began_s
        self._publish = publish
        self._note = note
        self._order_index = last_order_index
        self._interfaces: dict[Leg, str] = {}
        self._wall_watch = WallClockWatch(means.clock)

    def begin(self, slot: Slot, attempt: int, purpose: Purpose) -> Begun:
        """Announce an attempt. attempt: 1 for the first try at the slot. Raises StoreError."""
        began_s = self._means.clock.monotonic_s()
        flags = self._standing_flags()
        record = self._announcement(slot, attempt, purpose)
        self._means.keeper.begin_attempt(record)
        return Begun(slot, record, began_s, flags)

    async def make(
        self, begun: Begun, *, earlier: Earlier, accepted: str | None = None, max_bytes: int | None = None
    ) -> Made:
        """Make the attempt. earlier, accepted: see :class:`~sitetest.visit.scene.Scene`. max_bytes: it may not move
        more; None: no cap."""
        slot = begun.slot
        tried = await self._try(slot, max_bytes)
        judgement, unknown = self._judged(slot, tried, earlier, accepted)
        flags = begun.flags + self._clock_flags()
        wall_s = self._means.clock.monotonic_s() - begun.began_s
        record = finished(begun.record, tried.result, judgement, wall_s, flags, observed=tried.observed)
        record = with_binding(replace(record, unknown=unknown), tried.result, self._baseline(slot.case.leg))
        return Made(record, tried.diagnosis)

    def _announcement(self, slot: Slot, attempt: int, purpose: Purpose) -> AttemptRecord:
        """The record that stands if the agent dies now."""
        facts = self._means.ap_configs[slot.case.ap_config]
        self._order_index += 1
        timing = self._timing
        return AttemptRecord(
            test_id=self._means.new_id(),
            visit_id=self._visit.visit_id,
            turn=slot.turn,
            repeat=slot.repeat,
            attempt=attempt,
            order_index=self._order_index,
            location=slot.case.location,
            access_point=facts.access_point,
            ap_config=slot.case.ap_config,
            firmware=facts.firmware,
            leg=slot.case.leg.value,
            engine=slot.case.engine.value,
            direction=slot.case.direction.value,
            streams=timing.streams,
            server=self._means.servers[slot.case.leg],
            started_at=self._means.clock.now(),
            offset_s=self._means.clock.monotonic_s() - self._began_s,
            warm_up_s=timing.warm_up_s,
            duration_s=timing.duration_s,
            status=Status.INTERRUPTED,
            reason=_CUT_OFF_REASON,
            purpose=purpose,
            wall_s=0.0,
        )

    async def _try(self, slot: Slot, max_bytes: int | None) -> "_Tried":
        """Run the engine, with the observers beside it where there are any; ask the network when something went wrong,
        while the observers end, which may take seconds over a broken path."""
        means, leg, spec = self._means, slot.case.leg, self._spec(slot, max_bytes)
        engine = means.engines[leg, slot.case.engine]
        before = await means.path.route(leg)
        beside = None if means.observers is None else await means.observers.beside(spec, before, leg)
        ending: asyncio.Task[Observed] | None = None
        try:
            result = await engine.transfer(spec, _Onlooker(slot, self._publish, beside), means.stop)
            if beside is not None:
                ending = asyncio.create_task(beside.finish(), name="end of the observers")
            stopped = result.failure is not None and result.failure.kind is FailureKind.STOPPED
            diagnosis = await means.path.diagnose(leg) if went_wrong(result) and not stopped else None
            after = await means.path.route(leg)
            observed = None if ending is None else await ending
        finally:
            if ending is not None:
                ending.cancel()
            if beside is not None:
                beside.abandon()
        return _Tried(result, observed, diagnosis, before, after)

    def _judged(
        self, slot: Slot, tried: "_Tried", earlier: Earlier, accepted: str | None
    ) -> tuple[Judgement, tuple[str, ...]]:
        """Say what an attempt turned out to be, and which flags could not be evaluated.

        What the observers saw joins in here, and nowhere else.
        """
        leg = slot.case.leg
        interface = self._visit_interface(leg, tried.before)
        judgement = judge(Evidence(tried.result, leg, tried.diagnosis, tried.before, tried.after, interface))
        if tried.observed is None:
            return judgement, ()
        line, baseline = timeline(tried.result, tried.observed), self._baseline(leg)
        found = confounders(
            Scene(
                result=tried.result,
                observed=tried.observed,
                window=None if line is None else line.window,
                expected=self._means.expected.get(slot.case.ap_config),
                accepted=accepted,
                earlier=earlier,
                wire_mbps=None if baseline is None else baseline.goodput_mbps(slot.case.direction),
            )
        )
        return weighed(judgement, found), found.unknown

    def _baseline(self, leg: Leg) -> BaselineRecord | None:
        return self._means.baseline if leg is Leg.LAN else None

    def _spec(self, slot: Slot, max_bytes: int | None) -> TransferSpec:
        timing = self._timing
        return TransferSpec(
            direction=slot.case.direction,
            streams=timing.streams,
            warm_up_s=timing.warm_up_s,
            duration_s=timing.duration_s,
            congestion_control=timing.congestion_control,
            max_bytes=max_bytes,
        )

    def _visit_interface(self, leg: Leg, before: Route | None) -> str | None:
        """The interface over which the first transfer of this part of the visit to that leg's server went."""
        if before is not None and before.interface is not None:
            self._interfaces.setdefault(leg, before.interface)
        return self._interfaces.get(leg)

    def _standing_flags(self) -> tuple[Flag, ...]:
        simulated = self._visit.simulated
        mark = (Flag("simulated", simulated, "note"),) if simulated else ()
        return mark + self._clock_flags()

    def _clock_flags(self) -> tuple[Flag, ...]:
        step_s = self._wall_watch.step_s()
        if step_s is None:
            return ()
        way = "back" if step_s < 0 else "forward"
        text = (
            f"the wall clock went {way} by {abs(step_s):.1f} s (it was set, or the laptop slept); order and durations "
            "come from the monotonic clock"
        )
        self._note("clock_step", text[0].upper() + text[1:] + ".")
        return (Flag("clock_step", text, "note"),)


@dataclass(frozen=True, slots=True)
class _Tried:
    """What one attempt gave. observed: None where nobody looked on. diagnosis: None where nothing was asked."""

    result: TransferResult
    observed: Observed | None
    diagnosis: Diagnosis | None
    before: Route | None
    after: Route | None


class _Onlooker:
    """Hands what an engine sees on to the subscribers and the observers."""

    def __init__(self, slot: Slot, publish: Callable[[TransferEvent], None], beside: Beside | None = None) -> None:
        self._slot = slot
        self._publish = publish
        self._beside = beside
        self._link_shown: LinkSample | None = None

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:
        self._publish(ServerQueue(place, wait_s, held_by))

    def started(self) -> None:
        self._publish(TransferStarted(self._slot))

    async def idle_before(self, reflector: Reflector | None) -> None:
        if self._beside is not None:
            await self._beside.idle_before(reflector)

    def sample(self, sample: Sample) -> None:
        self._publish(Progressed(self._slot, sample))
        if self._beside is None:
            return
        self._beside.loaded(sample)
        link = self._beside.link_now()
        if link is not None and link is not self._link_shown:
            self._link_shown = link
            self._publish(LinkSeen(link))

    async def idle_after(self) -> None:
        if self._beside is not None:
            await self._beside.idle_after()
