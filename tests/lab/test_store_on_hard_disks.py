"""Disks that are really full, and media that are really read-only: a small tmpfs of our own."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from store_records import (
    BEGAN,
    SOAK_ID,
    VISIT_ID,
    a_soak,
    a_watch_second,
    an_attempt,
    an_event,
    announced,
    begin,
    keep,
)

from sitetest.errors import StoreError, StoreFull
from sitetest.store.database import Store
from sitetest.store.reading import StoreReader
from sitetest.store.records import Status
from sitetest.store.reserve import RESERVE_BYTES

pytestmark = pytest.mark.lab

SIZE_KB = 8 * 1024


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 8 MiB, gone afterwards."""
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE_KB}k", "sitetest-test", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def fill(disk: Path) -> Path:
    """Take all the room that is left."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        while shutil.disk_usage(disk).free:
            file.write(bytes(4096))
    return filler


def test_a_full_disk_keeps_the_attempt_in_hand_and_says_how_to_go_on(disk: Path) -> None:
    path = disk / "results" / "site.sqlite"
    with Store.open(path, create=True) as store:
        begin(store)
        keep(store, an_attempt(1))
        last = an_attempt(2, raw="x" * 200_000)
        store.begin_attempt(announced(last))
        filler = fill(disk)
        assert store.free_bytes() == 0
        store.end_attempt(last)
        store.add_event(an_event())
        store.end_visit(VISIT_ID, BEGAN, "store_full")
        with pytest.raises(StoreFull, match="No room left") as raised:
            store.begin_attempt(announced(an_attempt(3)))
        assert "--resume" in raised.value.next_step

    with StoreReader.read_only(path) as reader:
        assert reader.attempt("test-2") == last
        assert reader.outcome(VISIT_ID) == "store_full"
        assert reader.unfinished_visit("basement", "basement") is not None
        assert [attempt.test_id for attempt in reader.attempts(VISIT_ID)] == ["test-1", "test-2"]

    filler.unlink()
    with Store.open(path, create=False) as store:
        keep(store, an_attempt(3))
        assert store.table_problem is None
    assert path.with_name("results.csv").read_text().count("\n") == 4


def test_a_disk_that_fills_up_between_attempts_stops_the_run_before_it_measures(disk: Path) -> None:
    """The reserve is then still there for the end of the visit."""
    path = disk / "results" / "site.sqlite"
    with Store.open(path, create=True) as store:
        begin(store)
        fill(disk)
        raised = 0
        for number in range(1, 200):
            try:
                keep(store, an_attempt(number, raw="x" * 10_000))
            except StoreFull:
                raised += 1
                break
        store.end_visit(VISIT_ID, BEGAN, "store_full")
        assert raised == 1
        assert all(attempt.status in (Status.OK, Status.INTERRUPTED) for attempt in store.attempts(VISIT_ID))


def test_a_soak_on_a_full_disk_has_no_room_until_there_is_some_again(disk: Path) -> None:
    path = disk / "results" / "site.sqlite"
    with Store.open(path, create=True) as store:
        store.begin_visit(a_soak())
        store.add_watch_seconds(SOAK_ID, [a_watch_second(0)])
        filler = fill(disk)
        assert not store.has_room()
        with pytest.raises(StoreFull):
            store.add_watch_seconds(SOAK_ID, [a_watch_second(n) for n in range(1, 2000)])
        with pytest.raises(StoreFull):
            store.begin_attempt(announced(an_attempt(1, visit_id=SOAK_ID, raw="x" * 200_000)))
        event = an_event(visit_id=SOAK_ID)
        store.add_event(event)  # in the room of the reserve
        with pytest.raises(StoreFull):
            store.add_watch_seconds(SOAK_ID, [a_watch_second(1)])
        assert not store.has_room()
        filler.unlink()
        assert store.has_room()
        assert (path.parent / ".reserve").stat().st_size == RESERVE_BYTES
        store.add_watch_seconds(SOAK_ID, [a_watch_second(1)])
        assert list(store.watch_seconds(SOAK_ID)) == [a_watch_second(0), a_watch_second(1)]
        assert store.events(SOAK_ID) == [event]
        assert store.attempts(SOAK_ID) == []


def test_a_disk_with_no_room_for_the_reserve_is_refused_at_once(disk: Path) -> None:
    path = disk / "results" / "site.sqlite"
    Store.open(path, create=True).close()
    before = path.read_bytes()
    fill(disk)
    with pytest.raises(StoreFull, match="No room left"):
        Store.open(path, create=False)
    assert path.read_bytes() == before


def test_a_disk_that_is_full_before_the_first_store_is_said(disk: Path) -> None:
    (disk / "results").mkdir()
    fill(disk)
    with pytest.raises(StoreFull):
        Store.open(disk / "results" / "site.sqlite", create=True)
    assert not (disk / "results" / "site.sqlite").exists()


def test_results_on_a_read_only_medium_can_be_read_and_not_written(disk: Path) -> None:
    path = disk / "results" / "site.sqlite"
    with Store.open(path, create=True) as store:
        begin(store)
        keep(store, an_attempt(1))
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    with StoreReader.read_only(path) as reader:
        assert reader.attempt("test-1") == an_attempt(1)
    with pytest.raises(StoreError, match="cannot be opened"):
        Store.open(path, create=True)
