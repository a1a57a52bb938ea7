"""A soak of the invented bookshop as the store has it: turns of two AP configs, many tests each. Every figure is made
up. May import sitetest and store_records only.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from store_records import BEGAN, SOAK_ID, a_turn, a_visit, an_attempt, fixed_now, keep

from sitetest.plan.cases import Leg, PlannedComparison, Timing
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.stats.rules import RULES_VERSION, ComparisonRules
from sitetest.store.database import Store
from sitetest.store.reading import store_path
from sitetest.store.records import Status, VisitKind
from sitetest_wire.words import Direction, EngineName

LEVELS = {"auto": 400.0, "wide80": 480.0}
NAMES = {"A": "auto", "B": "wide80"}


def compared_soak_plan() -> SoakPlan:
    """Return the plan of a night that compares the two, in one look."""
    return SoakPlan(
        site="quay-street-bookshop",
        profile="overnight",
        location="basement",
        timing=Timing(streams=2, warm_up_s=1.0, duration_s=10.0),
        seed=7,
        ap_configs=("auto", "wide80"),
        transfers=((Leg.LAN, EngineName.HTTP, Direction.DOWNLOAD),),
        every_s=120.0,
        turn_s=1800.0,
        most_busy_share=0.5,
        until=datetime(2026, 3, 2, 18, tzinfo=UTC),
        rounds=None,
        comparison=PlannedComparison(
            "auto", ("wide80",), ComparisonRules(family_size=1, looks=()), rules_version=RULES_VERSION
        ),
    )


def keep_soak(
    folder: Path,
    order: str = "ABBABAAB",
    *,
    tests: Sequence[int] = (5, 3, 4, 6),
    failed: Sequence[tuple[int, int]] = (),
    visit_id: str = SOAK_ID,
    outcome: str | None = "complete",
    seed: int = 3,
    **changes: Any,
) -> Path:
    """Keep a soak in the site at ``folder`` and return it. tests: how many a turn has, over and over. failed: turn and
    test, from 1, of those that failed. outcome: None for one that runs still. changes: of every attempt."""
    random = Random(seed)
    number = 0
    with Store.open(store_path(folder), create=True, now=fixed_now(), table_behind_s=300.0) as store:
        store._connection.execute("PRAGMA synchronous = OFF")  # nothing here outlives the test
        plan = soak_plan_to_json(compared_soak_plan())
        store.begin_visit(a_visit(visit_id=visit_id, profile="overnight", kind=VisitKind.SOAK, plan=plan))
        for turn, letter in enumerate(order, start=1):
            name = NAMES[letter]
            store.begin_turn(a_turn(visit_id=visit_id, turn=turn, quad=(turn + 3) // 4, ap_config=name))
            level = LEVELS[name] * random.lognormvariate(0, 0.02)
            for test in range(1, tests[(turn - 1) % len(tests)] + 1):
                number += 1
                went_wrong = (turn, test) in failed
                facts = {
                    "test_id": f"{visit_id}-{number}",
                    "visit_id": visit_id,
                    "turn": turn,
                    "ap_config": name,
                    "duration_s": 10.0,
                    "started_at": BEGAN + timedelta(minutes=2 * number),
                    "throughput_mbps": None if went_wrong else level * random.lognormvariate(0, 0.01),
                    "status": Status.FAILED if went_wrong else Status.OK,
                    "reason": "unreachable" if went_wrong else "",
                    "seconds": (),
                    "raw": None,
                }
                keep(store, an_attempt(number, **(facts | changes)))
        if outcome is not None:
            store.end_visit(visit_id, BEGAN + timedelta(hours=9), outcome)
    return folder


def keep_run(folder: Path, order: str = "ABBABAABABBA", **changes: Any) -> Path:
    """Keep a run of one download a turn beside it and return the site. changes: of every attempt."""
    with Store.open(store_path(folder), create=True, now=fixed_now()) as store:
        store._connection.execute("PRAGMA synchronous = OFF")
        store.begin_visit(a_visit())
        for turn, letter in enumerate(order, start=1):
            store.begin_turn(a_turn(turn=turn, quad=(turn + 3) // 4, ap_config=NAMES[letter]))
            rate = LEVELS[NAMES[letter]] * (1 + 0.01 * (turn % 3 - 1))
            facts = {"turn": turn, "ap_config": NAMES[letter], "throughput_mbps": rate, "seconds": ()}
            keep(store, an_attempt(turn, **(facts | changes)))
    return folder
