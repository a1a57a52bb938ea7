"""A whole invented site as a store would have kept it: runs at two locations, a night, and whatever names it is given.

Every figure is made up. May import the package and the other records of the tests.
"""

from dataclasses import replace
from datetime import timedelta
from math import exp
from pathlib import Path
from random import Random

from made_night import EVENING, SOAK_ID, a_series, outage, stepping, watched
from store_records import BEGAN, ROAMED, a_soak, a_turn, a_visit, an_observed_attempt, keep

from sitetest.plan.cases import Leg, Timing
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.store.database import Store
from sitetest.store.reading import store_path
from sitetest.store.records import EventRecord, Status
from sitetest.store.soak_events import Cause, detail_of, kind_of
from sitetest_wire.words import Direction, EngineName

SITE_TOML = """\
format = 1
site = "quay-street-bookshop"

[[access_point]]
name = "counter"
cost = "two hundred a piece"

[[ap_config]]
name = "auto"
access_point = "counter"

[[ap_config]]
name = "wide80"
access_point = "counter"

[[requirement]]
throughput_down_mbps = 100
"""


def made_site(
    folder: Path,
    *,
    locations: tuple[str, str] = ("counter", "basement"),
    ap_configs: tuple[str, str] = ("auto", "wide80"),
    night_h: float = 6.0,
    turns: int = 8,
) -> Path:
    """Write the site into a folder and return it. At the first location the second AP config is a quarter faster."""
    (folder / "profiles").mkdir(parents=True)
    (folder / "profiles" / "site.toml").write_text(SITE_TOML)
    chance, number = Random(4), 0
    a, b = ap_configs
    with Store.open(store_path(folder), create=True, table_behind_s=float("inf")) as store:
        for place, location in enumerate(locations):
            visit_id = f"visit-{place}"
            store.begin_visit(a_visit(visit_id=visit_id, location=location))
            for turn in range(1, turns + 1):
                config = a if turn % 4 in (1, 0) else b
                began = BEGAN + timedelta(hours=place, minutes=5 * turn)
                store.begin_turn(
                    a_turn(visit_id=visit_id, turn=turn, quad=(turn + 3) // 4, ap_config=config, started_at=began)
                )
                for direction, level in (("download", 300.0), ("upload", 120.0)):
                    number += 1
                    faster = 1.25 if config == b and place == 0 else 1.0
                    status = {11: Status.FAILED, 14: Status.INVALID}.get(number, Status.OK)
                    attempt = an_observed_attempt(
                        number,
                        visit_id=visit_id,
                        turn=turn,
                        repeat=turn,
                        location=location,
                        ap_config=config,
                        direction=direction,
                        status=status,
                        reason="" if status is Status.OK else "server_gone: the test server ended it",
                        throughput_mbps=(
                            None if status is Status.FAILED else level * faster * exp(chance.gauss(0, 0.03))
                        ),
                        started_at=began + timedelta(seconds=number),
                        link_source="live",
                        flags=(ROAMED,) if number == 20 else (),
                    )
                    keep(store, attempt)
            store.end_visit(visit_id, BEGAN, "complete")
        _night(store, locations[1], a, night_h)
    return folder


def _night(store: Store, location: str, ap_config: str, hours: float) -> None:
    happenings = [*outage(1.5, 12.3), *outage(3.0, 300.0, Cause.SERVER)]
    plan = SoakPlan(
        site="quay-street-bookshop",
        profile="basement",
        location=location,
        timing=Timing(2, 2.0, 10.0),
        seed=7,
        ap_configs=(ap_config,),
        transfers=((Leg.LAN, EngineName.HTTP, Direction.DOWNLOAD),),
        every_s=120.0,
        turn_s=1800.0,
        most_busy_share=0.25,
        until=None,
        rounds=round(hours * 30),
    )
    store.begin_visit(replace(a_soak(started_at=EVENING, location=location), plan=soak_plan_to_json(plan)))
    store.begin_turn(replace(a_turn(), visit_id=SOAK_ID, started_at=EVENING, ap_config=ap_config))
    for attempt in a_series(hours, 120, seed=3, level=stepping(4, -0.2), ap_config=lambda _: ap_config):
        keep(store, replace(attempt, location=location))
    store.add_watch_seconds(SOAK_ID, watched(hours, happenings, every_s=5))
    for one in happenings:
        store.add_event(EventRecord(SOAK_ID, one.at, 0.0, kind_of(one.event), detail_of(one.event)))
    store.end_visit(SOAK_ID, BEGAN, "complete")
