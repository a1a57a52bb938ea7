"""How a soak stands at this moment, folded out of its events: what the status file and the metrics are made of.

Pure: ``after(state, happening, now)`` returns the next state, the same object where nothing changed. Counts are of the
whole soak when the state began with ``of_earlier_parts``, else of this part.

May import what visit.soak.events may, sitetest_wire and the standard library only.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from sitetest.store.records import AttemptRecord, EventRecord, Status
from sitetest.store.soak_events import (
    DROPOUT_CAUSES,
    Cause,
    ChannelMoved,
    MeasuringPaused,
    MeasuringResumed,
    OutageBegan,
    OutageEnded,
    PartBegan,
    Roamed,
    RoundPassed,
    Slept,
    SoakEvent,
    SwitchTried,
    WatchBlind,
    soak_event_of,
)
from sitetest.visit import events as visit_events
from sitetest.visit.soak.events import (
    Happened,
    Resting,
    RoundStarted,
    SecondSeen,
    SlotStarted,
    SlotStored,
    SoakEnded,
    SoakHappening,
    SoakStarted,
)

SLEEP_NOT_HELD_OFF = "sleep_not_held_off"
"""Code of the :class:`~sitetest.visit.events.Noted` that tells of a lock on sleep that was lost before its time."""


class Phase(StrEnum):
    """What is going on, in one word. PATH_AWAY: nothing has answered for a while. PAUSED: no tests, yet the watch goes
    on."""

    STARTING = "starting"
    TESTING = "testing"
    RESTING = "resting"
    SWITCHING = "switching"
    PATH_AWAY = "path_away"
    PAUSED = "paused"
    ENDED = "ended"


CaseName = tuple[str, str, str, str]
"""AP config, leg, engine, direction."""


@dataclass(frozen=True, slots=True)
class LastTest:
    """The test of a case that was kept last. Names are those of the tidy table."""

    started_at: datetime
    status: Status
    throughput_mbps: float | None
    rtt_loaded_p95_ms: float | None


@dataclass(frozen=True, slots=True)
class Outages:
    """Outages that are over. last: the latest of them."""

    count: int = 0
    total_s: float = 0.0
    last: OutageEnded | None = None

    def and_one(self, outage: OutageEnded) -> "Outages":
        """Return them with one more."""
        return Outages(self.count + 1, self.total_s + outage.length_s, outage)


@dataclass(frozen=True, slots=True)
class Count:
    """How often, and how long in all."""

    count: int = 0
    total_s: float = 0.0

    def and_one(self, length_s: float) -> "Count":
        """Return it with one more."""
        return Count(self.count + 1, self.total_s + length_s)


def _none_of(kinds: type[StrEnum]) -> Mapping[str, int]:
    return {str(kind): 0 for kind in kinds}


@dataclass(frozen=True, slots=True)
class SoakState:
    """Facts. None: not known, or nothing of the kind yet.

    doing: what the conductor does; ``phase`` is what there is to say about it. since: when the phase was entered.
    round, turn: numbers of those that were begun last. rounds_begun: how many rounds were. rounds_due: the last number,
    passed rounds included.
    away_since: when the outage began that lasts; tested_meanwhile: a test has begun in it, so that it is only the
    reflector that is silent. up: whether the path answered in the last second; None while there is nobody to ask.
    awake: sleep of the laptop is held off. ap_configs: of the plan. outcome: as in SoakEnded. switches: (AP config,
    whether it worked) -> how often. moved_bytes: by all tests. probes: sent, or due and not taken. sleeps: of the
    laptop; stalls: it stood still.
    """

    since: datetime
    doing: Phase = Phase.STARTING
    outcome: str | None = None
    visit_id: str | None = None
    site: str | None = None
    location: str | None = None
    profile: str | None = None
    simulated: str | None = None
    ap_configs: tuple[str, ...] = ()
    until: datetime | None = None
    rounds_wanted: int | None = None
    rounds_begun: int = 0
    rounds_due: int = 0
    round: int | None = None
    turn: int | None = None
    ap_config: str | None = None
    next_round_at: datetime | None = None
    tests: Mapping[str, int] = field(default_factory=lambda: _none_of(Status))
    last_tests: Mapping[CaseName, LastTest] = field(default_factory=dict)
    moved_bytes: int = 0
    rounds_passed: Mapping[str, int] = field(default_factory=dict)
    away_since: datetime | None = None
    tested_meanwhile: bool = False
    outages: Mapping[Cause, Outages] = field(default_factory=lambda: {cause: Outages() for cause in Cause})
    paused: MeasuringPaused | None = None
    blind: bool = False
    blind_why: str = ""
    up: bool | None = None
    last_second: SecondSeen | None = None
    probes: int = 0
    probes_answered: int = 0
    sleeps: Count = Count()
    stalls: Count = Count()
    roams: int = 0
    channel_moves: int = 0
    switches: Mapping[tuple[str, bool], int] = field(default_factory=dict)
    awake: bool | None = None
    awake_why: str = ""

    @property
    def phase(self) -> Phase:
        """What there is to say: absence while we switch the AP config is ours, and no test can run on a path away."""
        if self.doing in {Phase.ENDED, Phase.SWITCHING}:
            return self.doing
        if self.away_since is not None and not self.tested_meanwhile:
            return Phase.PATH_AWAY
        return self.doing if self.paused is None else Phase.PAUSED

    @property
    def dropouts(self) -> Outages:
        """Outages that are dropouts of the network under test."""
        dropouts = [self.outages[cause] for cause in Cause if cause in DROPOUT_CAUSES]
        lasts = [one.last for one in dropouts if one.last is not None]
        return Outages(
            sum(one.count for one in dropouts),
            sum(one.total_s for one in dropouts),
            max(lasts, key=lambda outage: outage.began_at, default=None),
        )


def after(state: SoakState, happening: SoakHappening, now: datetime) -> SoakState:
    """Return the state after a happening."""
    next_state = _folded(state, happening, now)
    return next_state if next_state.phase == state.phase else replace(next_state, since=now)


def ended(state: SoakState, now: datetime) -> SoakState:
    """Return the state of a soak that is over, also if it never said so (an error ended it): then without outcome."""
    return state if state.doing is Phase.ENDED else replace(state, doing=Phase.ENDED, since=now, next_round_at=None)


def of_earlier_parts(
    began: datetime, attempts: Iterable[AttemptRecord], events: Iterable[EventRecord], rounds_due: int = 0
) -> SoakState:
    """Return the state with which a resumed soak begins: what its earlier parts have kept is counted, what was open
    when they ended is not open any more. began: of this part. attempts, events: of the visit, in order. rounds_due: the
    last number of a round."""
    state = SoakState(since=began)
    rounds: set[int] = set()
    for record in attempts:
        rounds.add(record.repeat)
        state = _with_test(state, record)
    for kept in events:
        event = soak_event_of(kept)
        if event is not None:
            state = _with_event(state, event)
    return replace(
        state,
        rounds_begun=len(rounds),
        rounds_due=rounds_due,
        away_since=None,
        tested_meanwhile=False,
        paused=None,
        blind=False,
        blind_why="",
        awake=None,
        awake_why="",
        until=None,
    )


class StateFollower:
    """A subscriber that keeps the state. now: wall clock. Whoever serves the state asks for it, or adds a function to
    ``when_it_changes``, which is called with the state before and after, must return at once and must not fail."""

    def __init__(self, now: Callable[[], datetime], state: SoakState | None = None) -> None:
        self.now = now
        self.state = state or SoakState(since=now())
        self.when_it_changes: list[Callable[[SoakState, SoakState], None]] = []

    def __call__(self, happening: SoakHappening) -> None:
        """Take a happening in."""
        before = self.state
        self.state = after(before, happening, self.now())
        if self.state is not before:
            for tell in self.when_it_changes:
                tell(before, self.state)


def _folded(state: SoakState, happening: SoakHappening, now: datetime) -> SoakState:  # noqa: PLR0911 - one a kind
    match happening:
        case SoakStarted():
            return replace(
                state,
                visit_id=happening.visit_id,
                site=happening.plan.site,
                location=happening.plan.location,
                profile=happening.plan.profile,
                simulated=happening.simulated,
                ap_configs=happening.plan.ap_configs,
                until=happening.until,
                rounds_wanted=happening.plan.rounds,
                round=happening.resumed or None,
                rounds_due=happening.resumed,
            )
        case visit_events.SwitchStarted() | visit_events.TurnStarted():
            switching = isinstance(happening, visit_events.SwitchStarted)
            return replace(
                state,
                doing=Phase.SWITCHING if switching else Phase.RESTING,
                turn=happening.turn.number,
                ap_config=happening.turn.ap_config,
                next_round_at=None,
            )
        case RoundStarted():
            return replace(
                state,
                doing=Phase.TESTING,
                round=happening.number,
                rounds_begun=state.rounds_begun + 1,
                rounds_due=max(state.rounds_due, happening.number),
                turn=happening.turn,
                ap_config=happening.ap_config,
                next_round_at=None,
            )
        case SlotStarted():
            meanwhile = state.away_since is not None
            return replace(state, doing=Phase.TESTING, next_round_at=None, tested_meanwhile=meanwhile)
        case SlotStored():
            return _with_test(state, happening.record)
        case Resting():
            return replace(state, doing=Phase.RESTING, next_round_at=now + timedelta(seconds=happening.for_s))
        case Happened():
            return _with_event(state, happening.event)
        case SecondSeen():
            return replace(
                state,
                up=happening.up,
                last_second=happening,
                probes=state.probes + happening.second.probes,
                probes_answered=state.probes_answered + happening.second.answered,
            )
        case SoakEnded():
            return replace(state, doing=Phase.ENDED, outcome=happening.outcome, next_round_at=None)
        case visit_events.Noted():
            lost = happening.code == SLEEP_NOT_HELD_OFF
            return replace(state, awake=False, awake_why=happening.text) if lost else state
        case (
            visit_events.ServerQueue()
            | visit_events.TransferStarted()
            | visit_events.Progressed()
            | visit_events.LinkSeen()
        ):
            return state


def _with_test(state: SoakState, record: AttemptRecord) -> SoakState:
    case = (record.ap_config, record.leg, record.engine, record.direction)
    last = LastTest(record.started_at, record.status, record.throughput_mbps, record.rtt_loaded_p95_ms)
    return replace(
        state,
        tests={**state.tests, record.status: state.tests[record.status] + 1},
        last_tests={**state.last_tests, case: last},
        moved_bytes=state.moved_bytes + record.moved_bytes,
    )


def _with_event(state: SoakState, event: SoakEvent) -> SoakState:  # noqa: PLR0911 - one for each kind
    match event:
        case OutageBegan():
            return replace(state, away_since=event.began_at, tested_meanwhile=False)
        case OutageEnded():
            outages = {**state.outages, event.cause: state.outages[event.cause].and_one(event)}
            return replace(state, away_since=None, tested_meanwhile=False, outages=outages)
        case MeasuringPaused():
            return replace(state, paused=event)
        case MeasuringResumed():
            return replace(state, paused=None)
        case RoundPassed():
            passed = {**state.rounds_passed, event.reason: state.rounds_passed.get(event.reason, 0) + 1}
            return replace(state, rounds_passed=passed, rounds_due=max(state.rounds_due, event.round))
        case WatchBlind():
            return replace(state, blind=event.blind, blind_why=event.why, up=None if event.blind else state.up)
        case Slept():
            if event.stall:
                return replace(state, stalls=state.stalls.and_one(event.length_s))
            return replace(state, sleeps=state.sleeps.and_one(event.length_s))
        case SwitchTried():
            tried = (event.ap_config, event.worked)
            return replace(state, switches={**state.switches, tried: state.switches.get(tried, 0) + 1})
        case Roamed():
            return replace(state, roams=state.roams + 1)
        case ChannelMoved():
            return replace(state, channel_moves=state.channel_moves + 1)
        case PartBegan():
            return replace(state, until=event.until, awake=event.awake, awake_why=event.awake_why)
