"""A soak, conducted into a real store and compared from there: what the conductor keeps is what compare reads."""

from dataclasses import replace
from datetime import timedelta
from itertools import count, groupby, islice
from math import ceil
from pathlib import Path
from random import Random

import pytest
from fast_time import in_fast_time
from soak_fakes import NIGHT, Outage, Soak, World, WorldSwitch, soak_visit
from soak_in_turns import compared_soak_plan

from sitetest.comparing.campaign import CampaignResult, compare
from sitetest.comparing.pairing import Question
from sitetest.comparing.site_data import read_site
from sitetest.engines.base import TransferSpec
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.plan.turn_order import turn_order
from sitetest.stats.answers import Verdict
from sitetest.stats.sides import NO_ASSOCIATION
from sitetest.store.database import SOAK_TABLE_BEHIND_S, Store
from sitetest.store.reading import store_path

LEVELS = {"auto": 400.0, "wide80": 480.0}
HOURS, TURN_H = 1.42, 1 / 6
CUT_IN_TEST = (13, 29)
"""Tests in which the link is lost for a minute: in two different turns of about five tests."""


def compared_night(folder: Path, association: str) -> CampaignResult:
    """Soak, the last turn cut short by the clock, and ask the store about the two."""
    plan = replace(compared_soak_plan(), turn_s=3600 * TURN_H, until=NIGHT + timedelta(hours=HOURS))
    chance = Random(5)
    of_turn: dict[int, float] = {}
    tests = count(1)
    world = World()

    def rate_mbps(at_s: float, _spec: TransferSpec) -> float:
        assert isinstance(soak.switch, WorldSwitch)
        if next(tests) in CUT_IN_TEST:
            world.outages.append(Outage(at_s + 5.0, 60.0))
        turn, (_, applied) = len(soak.switch.applied), soak.switch.applied[-1]
        of_this = of_turn.setdefault(turn, chance.lognormvariate(0, 0.02))
        return LEVELS[applied] * of_this * chance.lognormvariate(0, 0.02)

    world.rate_mbps = rate_mbps
    path = store_path(folder)
    with Store.open(path, create=True, table_behind_s=SOAK_TABLE_BEHIND_S) as store:
        store._connection.execute("PRAGMA synchronous = OFF")
        soak = Soak(
            plan,
            world,
            keeper=store,
            by_command=True,
            make_switch=lambda night: WorldSwitch(night, lambda _: 20.0),
            association=association,
        )
        visit = replace(soak_visit(plan), plan=soak_plan_to_json(plan))
        assert in_fast_time(soak.conductor().run(plan, visit)).outcome == "complete"
    return compare(read_site(path), Question("ap_config", ("auto", "wide80")))


@pytest.mark.parametrize("association", ["fresh", NO_ASSOCIATION])
def test_a_conducted_night_is_compared_by_its_turns(tmp_path: Path, association: str) -> None:
    """A dropout fails its test, and the turn keeps the value of the others. Turns of one AP config in a row are one
    where the system gives no fresh association in between."""
    result = compared_night(tmp_path, association)
    (pair,) = result.pairs
    sides = (pair.verdict.a, pair.verdict.b)
    plan = compared_soak_plan()
    order = [name for _, name in islice(turn_order(plan.ap_configs, plan.seed), ceil(HOURS / TURN_H))]
    turns = len(order) if association == "fresh" else len(list(groupby(order)))
    assert pair.verdict.verdict is Verdict.B_FASTER
    assert pair.interleaved is True
    assert sum(side.valid for side in sides) == turns
    assert sum(side.attempts for side in sides) > 4 * turns
    assert sum(side.failed for side in sides) == len(CUT_IN_TEST)
    assert (result.rules.looks, pair.verdict.weight, result.notes) == ((), 1.0, ())
