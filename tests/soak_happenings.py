"""Happenings of an invented night, for the tests of whoever shows or serves them. Every figure is made up."""

from datetime import UTC, datetime, timedelta

from store_records import an_attempt

from sitetest.observe.watch.seen import WatchSecond
from sitetest.plan.cases import Case, Leg, Slot, Timing, Turn
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.records import AttemptRecord
from sitetest.store.soak_events import Cause, OutageBegan, OutageEnded, PartBegan, SoakEvent
from sitetest.visit.events import SwitchStarted, TurnStarted
from sitetest.visit.soak.events import Happened, RoundStarted, SecondSeen, SlotStored, SoakStarted
from sitetest_wire.words import Direction, EngineName

EVENING = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
MORNING = datetime(2026, 3, 3, 7, 30, tzinfo=UTC)
SLOT = Slot(1, 1, Case("basement", Leg.LAN, EngineName.HTTP, "auto", Direction.DOWNLOAD))


def at(minutes: float) -> datetime:
    """Return an instant of the night."""
    return EVENING + timedelta(minutes=minutes)


def a_soak_plan(site: str = "quay-street-bookshop", ap_configs: tuple[str, ...] = ("auto", "wide80")) -> SoakPlan:
    """Return the plan of a night in the basement."""
    return SoakPlan(
        site=site,
        profile="overnight",
        location="basement",
        timing=Timing(streams=2, warm_up_s=1, duration_s=8),
        seed=7,
        ap_configs=ap_configs,
        transfers=((Leg.LAN, EngineName.HTTP, Direction.DOWNLOAD), (Leg.LAN, EngineName.HTTP, Direction.UPLOAD)),
        every_s=300,
        turn_s=1800,
        most_busy_share=0.2,
        until=MORNING,
        rounds=None,
    )


def started(resumed: int = 0, plan: SoakPlan | None = None) -> SoakStarted:
    """Return the begin of the soak, or of a later part of it."""
    return SoakStarted("visit-1", plan or a_soak_plan(), resumed, MORNING)


def part(*, awake: bool = True) -> Happened:
    """Return the begin of a part, as it is kept."""
    return happened(PartBegan(resumed=False, until=MORNING, awake=awake, awake_why="as it was found"))


def a_turn_of(number: int = 1, ap_config: str = "auto") -> Turn:
    """Return a turn without slots."""
    return Turn(number=number, quad=1, ap_config=ap_config, slots=())


def switching(number: int = 1, ap_config: str = "auto") -> SwitchStarted:
    """Return that an AP config is being applied."""
    return SwitchStarted(a_turn_of(number, ap_config), "command")


def turned(number: int = 1, ap_config: str = "auto") -> TurnStarted:
    """Return that a turn began."""
    return TurnStarted(a_turn_of(number, ap_config), "asked", 4.0)


def a_round(number: int = 1, turn: int = 1, ap_config: str = "auto") -> RoundStarted:
    """Return that a round began."""
    return RoundStarted(number, turn, ap_config)


def kept(record: AttemptRecord | None = None) -> SlotStored:
    """Return that a test is in the store."""
    return SlotStored(SLOT, record or an_attempt())


def happened(event: SoakEvent, minutes: float = 0) -> Happened:
    """Return an event as it is published."""
    return Happened(at(minutes), event)


def away(minutes: float) -> Happened:
    """Return that an outage was noticed."""
    return happened(OutageBegan(at(minutes)), minutes)


def back(minutes: float, length_s: float, cause: Cause = Cause.PATH) -> Happened:
    """Return that an outage is over, which began at ``minutes``."""
    return happened(OutageEnded(at(minutes), length_s, 0.1, cause, "nothing answered"), minutes)


def a_second(*, up: bool | None = True, probes: int = 10, answered: int = 10, rtt_p50_ms: float = 2.5) -> SecondSeen:
    """Return a second of the watch."""
    return SecondSeen(WatchSecond(1000.0, 0.0, 1.0, probes, answered, rtt_p50_ms=rtt_p50_ms, rssi_dbm=-61.0), up)
