"""An invented visit to the bookshop's basement: plan, attempts and events for tests of screens and tables.

May import sitetest and sitetest_wire only.
"""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from sitetest.plan.cases import Case, Leg, Plan, Slot, Timing, Turn
from sitetest.store.records import AttemptRecord, Flag, Purpose, Status
from sitetest.visit.events import (
    AttemptStarted,
    AttemptStored,
    Event,
    Progressed,
    TransferStarted,
    TurnStarted,
    VisitStarted,
)
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction, EngineName

STARTED_AT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)


def bookshop_plan(location: str = "basement", ap_configs: tuple[str, ...] = ("auto", "wide80")) -> Plan:
    """Return a plan of one quad: download and upload over http on the wire, in the order A B B A."""
    first, last = ap_configs[0], ap_configs[-1]
    turns = []
    repeats: dict[str, int] = {}
    for number, ap_config in enumerate((first, last, last, first), start=1):
        repeats[ap_config] = repeats.get(ap_config, 0) + 1
        slots = tuple(
            Slot(number, repeats[ap_config], Case(location, Leg.LAN, EngineName.HTTP, ap_config, direction))
            for direction in Direction
        )
        turns.append(Turn(number=number, quad=1, ap_config=ap_config, slots=slots))
    return Plan(
        site="quay-street-bookshop",
        profile="basement",
        location=location,
        timing=Timing(streams=5, warm_up_s=3.0, duration_s=30.0),
        seed=7,
        turns=tuple(turns),
        minimum_turns=2,
        maximum_turns=2,
    )


def attempt(slot: Slot, throughput_mbps: float | None = 412.34, **changes: Any) -> AttemptRecord:
    """Return the kept attempt of a slot; ``changes`` replaces fields."""
    case = slot.case
    record = AttemptRecord(
        test_id=f"test-{slot.turn}-{case.direction}",
        visit_id="visit-1",
        turn=slot.turn,
        repeat=slot.repeat,
        attempt=1,
        order_index=1,
        location=case.location,
        access_point="counter",
        ap_config=case.ap_config,
        firmware=None,
        leg=case.leg,
        engine=case.engine,
        direction=case.direction,
        streams=5,
        server="bench",
        started_at=STARTED_AT,
        offset_s=1.0,
        warm_up_s=3.0,
        duration_s=30.0,
        status=Status.OK,
        reason="",
        purpose=Purpose.PLANNED,
        wall_s=33.4,
        throughput_mbps=throughput_mbps,
    )
    return replace(record, **changes)


def failed(slot: Slot, reason: str = "link lost: no byte arrived for 10 s") -> AttemptRecord:
    """Return an attempt in which the AP config did not deliver."""
    return attempt(slot, None, status=Status.FAILED, reason=reason)


def outlier(slot: Slot, throughput_mbps: float) -> AttemptRecord:
    """Return an attempt that counts and yet lies far from the others."""
    reason = "far below the other turns of this case"
    return attempt(slot, throughput_mbps, flags=(Flag("outlier", reason, "note"),))


def until_transfer(plan: Plan, slot: Slot, left_s: float = 540.0, simulated: str | None = None) -> list[Event]:
    """Return the events from the start of a visit to the first byte of a slot's transfer."""
    turn = plan.turns[slot.turn - 1]
    done = plan.slots.index(slot)
    return [
        VisitStarted("visit-1", plan, 0, left_s, simulated),
        TurnStarted(turn, "same network, not asked for again", None),
        AttemptStarted(slot, 1, Purpose.PLANNED, done, len(plan.slots), left_s),
        TransferStarted(slot),
    ]


def samples_at(slot: Slot, rate_mbps: float, until_s: float) -> list[Event]:
    """Return ten samples a second of a transfer that runs at a steady rate from 0 to ``until_s``."""
    bytes_a_tenth = round(rate_mbps * 1e6 / 8 / 10)
    return [
        Progressed(slot, Sample(index / 10, (index * bytes_a_tenth,), CountedAs.RECEIVED))
        for index in range(round(until_s * 10) + 1)
    ]


def stored(plan: Plan, record: AttemptRecord, slot: Slot, next_step: str = "") -> AttemptStored:
    """Return the event that follows an attempt that is safely kept."""
    return AttemptStored(slot, record, next_step, plan.slots.index(slot) + 1, len(plan.slots))
