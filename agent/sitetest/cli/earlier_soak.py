"""The last soak of a profile as its store has it, for one that goes on.

May import plan, store, visit.soak (facts), errors and the standard library only.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from sitetest.cli.results_folder import require_results
from sitetest.errors import UsageError
from sitetest.plan.cases import Leg
from sitetest.plan.profile import Profile
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_from_json
from sitetest.store.reading import StoreReader
from sitetest.store.records import AttemptRecord, EventRecord, VisitKind, VisitRecord
from sitetest.store.soak_events import PartBegan, RoundPassed, soak_event_of
from sitetest.store.tidy import is_counted
from sitetest.visit.soak.so_far import SoFar
from sitetest.visit.soak.state import SoakState, of_earlier_parts


@dataclass(frozen=True, slots=True)
class BegunSoak:
    """plan: with the end that the last part of the soak had. state: what its parts have counted, for who shows it."""

    visit: VisitRecord
    plan: SoakPlan
    so_far: SoFar
    state: SoakState

    def is_over(self, now: datetime) -> bool:
        """Whether the wanted time, or the wanted rounds, are over."""
        if self.plan.until is not None:
            return self.plan.until <= now
        return self.plan.rounds is not None and self.so_far.rounds >= self.plan.rounds


def last_soak(site_dir: Path, profile: Profile, now: datetime) -> BegunSoak:
    """Return the last soak of a profile. Raises UsageError when there was none, StoreError as the store does."""
    with StoreReader.read_only(require_results(site_dir)) as store:
        soaks = [
            one
            for one in store.visits()
            if (one.profile, one.location, one.kind) == (profile.name, profile.location, VisitKind.SOAK)
        ]
        if not soaks:
            raise UsageError(
                f"There is no soak of the profile {profile.name!r} to go on with.", "Start one: leave --resume out."
            )
        visit = soaks[-1]
        attempts = store.attempts(visit.visit_id)
        events = store.events(visit.visit_id)
        turns = store.turns(visit.visit_id)
    plan = _as_extended(soak_plan_from_json(visit.plan), events)
    so_far = so_far_of(attempts, events, turns=max((turn.turn for turn in turns), default=0))
    return BegunSoak(visit, plan, so_far, of_earlier_parts(now, attempts, events, so_far.rounds))


def so_far_of(attempts: Iterable[AttemptRecord], events: Iterable[EventRecord], *, turns: int) -> SoFar:
    """Add up what the parts of a soak have kept. attempts: in the order in which they ran. turns: the last number."""
    rounds = order_index = moved = internet_moved = 0
    firsts: dict[tuple[str, str, str, str], AttemptRecord] = {}
    for record in attempts:
        rounds = max(rounds, record.repeat)
        order_index = max(order_index, record.order_index)
        moved += record.moved_bytes
        internet_moved += record.moved_bytes if record.leg == Leg.INTERNET else 0
        if is_counted(record):
            firsts.setdefault((record.ap_config, record.leg, record.engine, record.direction), record)
    for kept in events:
        event = soak_event_of(kept) if kept.kind == RoundPassed.KIND else None
        if isinstance(event, RoundPassed):
            rounds = max(rounds, event.round)
    return SoFar(rounds, turns, order_index, moved, internet_moved, tuple(firsts.values()))


def _as_extended(plan: SoakPlan, events: Iterable[EventRecord]) -> SoakPlan:
    """Return the plan with the end that the last part that began was given."""
    for kept in events:
        event = soak_event_of(kept) if kept.kind == PartBegan.KIND else None
        if isinstance(event, PartBegan) and event.until is not None:
            plan = replace(plan, until=event.until, rounds=None)
    return plan
