"""How the store is opened for a run and for a soak: see `test_store_tidy.py` for what that means."""

from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest
from bookshop_visit import bookshop_plan
from soak_in_turns import compared_soak_plan

from sitetest.cli import ready
from sitetest.errors import StoreFull
from sitetest.plan.cases import Plan
from sitetest.plan.site import Site
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.database import Store
from sitetest.visit.clock import SystemClock

SITE = Site.model_validate(
    {
        "site": "quay-street-bookshop",
        "server": {"lan": "192.0.2.7"},
        "access_point": [{"name": "counter"}],
        "ap_config": [{"name": name, "access_point": "counter"} for name in ("auto", "wide80")],
    }
)


@pytest.mark.parametrize(("plan", "behind_s"), [(bookshop_plan(), 0.0), (compared_soak_plan(), 300.0)])
async def test_a_soak_copies_the_table_now_and_then_and_a_run_keeps_it_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plan: Plan | SoakPlan, behind_s: float
) -> None:
    asked: list[float] = []

    async def reach(*_: object) -> object:
        return object()

    def full(*_: object, table_behind_s: float, **__: Any) -> None:
        asked.append(table_behind_s)
        raise StoreFull("no room")

    monkeypatch.setattr(ready, "reach", reach)
    monkeypatch.setattr(ready, "engines_for", lambda *_: {})
    monkeypatch.setattr(Store, "open", full)
    wishes = ready.ServerWishes(server=None, token="made-up", internet_token=None, remember=False)
    async with AsyncExitStack() as stack:
        with pytest.raises(StoreFull):
            await ready.get_ready(
                stack, tmp_path, SITE, plan, wishes,
                measurements=1, create=True, nobody_asked=True, say=lambda _: None, clock=SystemClock(),
            )  # fmt: skip
    assert asked == [behind_s]
