"""What a soak that goes on takes from the parts before it: sums from the store, and the end that it was given last."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from site_folder import site_folder
from soak_happenings import EVENING, MORNING, a_soak_plan
from store_records import an_attempt

from sitetest.cli.earlier_soak import last_soak, so_far_of
from sitetest.errors import UsageError
from sitetest.plan.profile import Profile
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.store.database import Store
from sitetest.store.reading import store_path
from sitetest.store.records import AttemptRecord, EventRecord, Status, TurnRecord, VisitKind, VisitRecord
from sitetest.store.soak_events import PartBegan, RoundPassed, SoakEvent, detail_of, kind_of

PROFILE = Profile.model_validate({"name": "overnight", "location": "basement"})


def a_test(number: int, **changes: Any) -> AttemptRecord:
    told: dict[str, Any] = {"visit_id": "night", "test_id": f"t-{number}", "order_index": number, "moved_bytes": 1000}
    return an_attempt(**{**told, "repeat": number, "leg": "lan", **changes})


def an_event(event: SoakEvent) -> EventRecord:
    return EventRecord("night", EVENING, 0.0, kind_of(event), detail_of(event))


def part(until_h: float | None) -> EventRecord:
    until = None if until_h is None else EVENING + timedelta(hours=until_h)
    return an_event(PartBegan(resumed=False, until=until, awake=True, awake_why=""))


def a_night(site: Path, plan: SoakPlan, *kept: AttemptRecord | EventRecord, outcome: str = "interrupted") -> Path:
    """Keep a soak in a site's store."""
    site_folder(site)
    visit = VisitRecord(
        "night", plan.site, "basement", "overnight", EVENING, soak_plan_to_json(plan), 7, "laptop", "0.1",
        kind=VisitKind.SOAK,
    )  # fmt: skip
    with Store.open(store_path(site), create=True, now=lambda: EVENING) as store:
        store.begin_visit(visit)
        for number in (1, 2, 3):
            store.begin_turn(TurnRecord("night", number, 1, "auto", EVENING, "kept", "kept", None))
        for one in kept:
            if isinstance(one, EventRecord):
                store.add_event(one)
            else:
                store.end_attempt(one)
        store.end_visit("night", EVENING, outcome)
    return site


def test_sums_and_firsts_are_taken_from_what_was_kept() -> None:
    lan = [a_test(1, status=Status.FAILED, throughput_mbps=None), a_test(2), a_test(3), a_test(4, ap_config="wide80")]
    far = a_test(5, leg="internet", moved_bytes=70)
    found = so_far_of([*lan, far], [], turns=4)
    assert (found.rounds, found.turns, found.order_index) == (5, 4, 5)
    assert (found.moved_bytes, found.internet_moved_bytes) == (4070, 70)
    assert [record.test_id for record in found.first_counted] == ["t-2", "t-4", "t-5"]


def test_a_round_that_passed_is_a_round() -> None:
    """Otherwise two rounds would have one number."""
    passed = [an_event(RoundPassed(number, "path_away")) for number in (8, 9)]
    assert so_far_of([a_test(7)], passed, turns=1).rounds == 9
    assert so_far_of([a_test(12)], passed, turns=1).rounds == 12
    assert so_far_of([], [], turns=0).rounds == 0


def test_the_last_soak_of_the_profile_goes_on_as_it_was_planned(tmp_path: Path) -> None:
    plan = a_soak_plan()
    found = last_soak(a_night(tmp_path, plan, part(9.5), a_test(1)), PROFILE, EVENING)
    assert found.visit.visit_id == "night"
    assert found.plan == plan
    assert (found.so_far.rounds, found.so_far.turns) == (1, 3)
    assert found.state.tests[Status.OK] == 1
    assert found.state.rounds_begun == 1
    assert not found.is_over(MORNING - timedelta(seconds=1))
    assert found.is_over(MORNING)


def test_an_end_that_was_put_off_holds_for_the_next_part_too(tmp_path: Path) -> None:
    found = last_soak(a_night(tmp_path, a_soak_plan(), part(9.5), part(20)), PROFILE, EVENING)
    assert found.plan.until == EVENING + timedelta(hours=20)
    assert not found.is_over(MORNING)


def test_rounds_are_over_by_their_number_and_a_time_takes_their_place(tmp_path: Path) -> None:
    plan = replace(a_soak_plan(), until=None, rounds=10)
    found = last_soak(a_night(tmp_path / "a", plan, part(None), a_test(9)), PROFILE, EVENING)
    assert not found.is_over(MORNING)
    full = last_soak(a_night(tmp_path / "b", plan, part(None), a_test(10)), PROFILE, EVENING)
    assert full.is_over(EVENING)
    more = last_soak(a_night(tmp_path / "c", plan, part(None), a_test(10), part(3)), PROFILE, EVENING)
    assert (more.plan.until, more.plan.rounds) == (EVENING + timedelta(hours=3), None)
    assert not more.is_over(EVENING)


def test_runs_and_soaks_of_other_profiles_are_not_gone_on_with(tmp_path: Path) -> None:
    site = a_night(tmp_path, a_soak_plan())
    other = Profile.model_validate({"name": "counter", "location": "basement"})
    for profile in (other, Profile.model_validate({"name": "overnight", "location": "counter"})):
        with pytest.raises(UsageError, match="There is no soak of the profile"):
            last_soak(site, profile, EVENING)
    with Store.open(store_path(site), create=False, now=lambda: EVENING) as store:
        store.begin_visit(replace(store.visits()[0], visit_id="run", kind=VisitKind.RUN))
    assert last_soak(site, PROFILE, EVENING).visit.visit_id == "night"
