"""A visit on the real store whose disk fills up: what is said at the end is what is on disk."""

from pathlib import Path

import pytest
from visit_fakes import MemoryKeeper, Visit, basement_plan

from sitetest.store.database import Store
from sitetest.store.records import AttemptRecord, Status, TurnRecord, VisitRecord
from sitetest.store.reserve import Reserve
from sitetest.visit.agenda import Agenda
from sitetest.visit.events import AttemptStored


class OnDisk(MemoryKeeper):
    """The keeper of the fakes with the real store behind it. takes_last_room: the attempt that leaves no reserve."""

    def __init__(self, store: Store, takes_last_room: int, patch: pytest.MonkeyPatch) -> None:
        super().__init__()
        self._store = store
        self._takes_last_room = takes_last_room
        self._patch = patch

    def begin_visit(self, visit: VisitRecord) -> None:
        super().begin_visit(visit)
        self._store.begin_visit(visit)

    def begin_turn(self, turn: TurnRecord) -> None:
        super().begin_turn(turn)
        self._store.begin_turn(turn)

    def begin_attempt(self, record: AttemptRecord) -> None:
        self._store.begin_attempt(record)
        super().begin_attempt(record)

    def end_attempt(self, record: AttemptRecord) -> None:
        if len(self.kept) == self._takes_last_room:
            Reserve(self._store.path.parent).give_up()
            self._patch.setattr(Reserve, "take", lambda _: False)
        self._store.end_attempt(record)
        super().end_attempt(record)


@pytest.mark.parametrize(("takes_last_room", "outcome", "left"), [(1, "store_full", 2), (3, "complete", 0)])
async def test_the_attempt_that_took_the_last_room_is_announced_as_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, takes_last_room: int, outcome: str, left: int
) -> None:
    """It is not open, and a visit that it completes is complete."""
    plan = basement_plan(("auto",) * 3)
    with Store.open(tmp_path / "results" / "site.sqlite", create=True) as store:
        visit = Visit(plan, keeper=OnDisk(store, takes_last_room, monkeypatch))
        ended = await visit.run()
        on_disk = store.attempts("visit-1")
        table = (tmp_path / "results" / "results.csv").read_text(encoding="utf-8")
    assert [record.status for record in on_disk] == [Status.OK] * takes_last_room
    assert [event.record.test_id for event in visit.heard(AttemptStored)] == [record.test_id for record in on_disk]
    assert (ended.outcome, ended.open_slots) == (outcome, left)
    assert Agenda(plan, on_disk).open == left
    assert table.count("\n") == 1 + takes_last_room
