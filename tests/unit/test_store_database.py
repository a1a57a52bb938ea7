"""The store a run writes to: what is kept, when, and that it stays."""

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from store_records import (
    BEGAN,
    OUTLIER,
    ROAMED,
    SOAK_ID,
    VISIT_ID,
    a_baseline,
    a_soak,
    a_turn,
    a_visit,
    a_watch_second,
    an_attempt,
    an_event,
    an_observed_attempt,
    announced,
    begin,
    fixed_now,
    keep,
)

from sitetest.errors import StoreError, StoreFull
from sitetest.store.database import ANNOUNCING_BYTES, Store
from sitetest.store.reading import StoreReader
from sitetest.store.records import AttemptRecord, Observation, Status, VisitKind
from sitetest.store.reserve import Reserve
from sitetest.visit.protocols import Keeper


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "results" / "site.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path, create=True, now=fixed_now()) as opened:
        yield opened


def without_detail(*attempts: AttemptRecord) -> list[AttemptRecord]:
    return [replace(attempt, seconds=(), observations=(), raw=None) for attempt in attempts]


def test_the_store_is_what_the_visit_asks_for(store: Store) -> None:
    """mypy checks the shape."""
    keeper: Keeper = store
    assert keeper.attempts("no such visit") == []


def test_what_was_kept_is_read_back_by_another_opening(store: Store, path: Path) -> None:
    begin(store)
    first = an_attempt(1)
    second = an_attempt(2, status=Status.FAILED, reason="unreachable", throughput_mbps=None, flags=(ROAMED,))
    keep(store, first, second)
    store.add_event(an_event())
    with StoreReader.read_only(path) as reader:
        assert reader.visits() == [a_visit()]
        assert reader.visit(VISIT_ID) == a_visit()
        assert reader.turns(VISIT_ID) == [a_turn()]
        assert reader.attempts(VISIT_ID) == without_detail(first, second)
        assert reader.attempt("test-1") == first
        assert reader.attempt("test-2") == second
        assert reader.seconds("test-1") == list(first.seconds)
        assert reader.events(VISIT_ID) == [an_event()]
        assert [facts.turn for facts in reader.facts()] == [a_turn(), a_turn()]


def test_an_announced_attempt_is_there_as_interrupted_until_it_ends(store: Store) -> None:
    begin(store)
    store.begin_attempt(announced(an_attempt()))
    assert [a.status for a in store.attempts(VISIT_ID)] == [Status.INTERRUPTED]
    store.end_attempt(an_attempt())
    assert [a.status for a in store.attempts(VISIT_ID)] == [Status.OK]


def test_observations_are_kept_with_their_attempt_or_not_at_all(store: Store) -> None:
    begin(store)
    good = an_observed_attempt()
    store.begin_attempt(announced(good))
    no_time = Observation("link", float("nan"), "{}")
    with pytest.raises(StoreError, match="at_s"):
        store.end_attempt(replace(good, observations=(*good.observations, no_time)))
    assert store.observations("test-1") == []
    store.end_attempt(good)
    assert store.observations("test-1") == list(good.observations)
    assert store.observations("nobody") == []


def test_reading_attempts_does_not_touch_their_detail(store: Store) -> None:
    """A long night has hundreds of megabytes of it. SQLite names every table that it is asked to read."""
    begin(store)
    keep(store, an_observed_attempt(1), an_observed_attempt(2))
    touched: set[str | None] = set()

    def note(action: int, table: str | None, *_: str | None) -> int:
        touched.add(table if action == sqlite3.SQLITE_READ else None)
        return sqlite3.SQLITE_OK

    store._connection.set_authorizer(note)
    assert len(store.attempts(VISIT_ID)) == len(store.facts()) == 2
    store._connection.set_authorizer(None)
    assert touched - {None} == {"attempt", "flag", "visit", "turn"}


def test_baselines_are_listed_newest_last_whatever_the_wall_clock_said(store: Store) -> None:
    store.add_baseline(a_baseline(1))
    store.add_baseline(a_baseline(2, measured_at=BEGAN - timedelta(days=1), upload_mbps=939.5))
    assert store.baselines() == [
        a_baseline(1),
        a_baseline(2, measured_at=BEGAN - timedelta(days=1), upload_mbps=939.5),
    ]
    with pytest.raises(StoreError):
        store.add_baseline(a_baseline(1))


def test_a_kept_attempt_never_changes(store: Store) -> None:
    begin(store)
    keep(store, an_attempt())
    with pytest.raises(StoreError):
        store.end_attempt(an_attempt(throughput_mbps=999.0))
    with pytest.raises(StoreError):
        store.begin_attempt(announced(an_attempt()))
    assert store.attempt("test-1") == an_attempt()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE attempt SET throughput_mbps = 999",
        "DELETE FROM attempt",
        "UPDATE second SET throughput_mbps = 999",
        "DELETE FROM second",
        "UPDATE flag SET severity = 'note'",
        "DELETE FROM flag",
        "UPDATE raw SET body = ''",
        "DELETE FROM raw",
        "UPDATE observation SET body = '{}'",
        "DELETE FROM observation",
        "UPDATE baseline SET download_mbps = 999",
        "DELETE FROM baseline",
        "UPDATE turn SET ap_config = 'wide80'",
        "DELETE FROM turn",
        "UPDATE event SET kind = 'other'",
        "DELETE FROM event",
        "UPDATE watch_second SET answered = 10",
        "DELETE FROM watch_second",
        "UPDATE visit SET kind = 'soak'",
        "UPDATE visit SET location = 'counter'",
        "DELETE FROM visit",
    ],
)
def test_the_file_itself_refuses_to_change_a_fact(store: Store, path: Path, statement: str) -> None:
    """Whoever opens it, with whatever program."""
    begin(store)
    keep(store, an_observed_attempt(flags=(ROAMED,)))
    store.add_event(an_event())
    store.add_baseline(a_baseline())
    store.add_watch_seconds(VISIT_ID, [a_watch_second()])
    with contextlib.closing(sqlite3.connect(path)) as other, pytest.raises(sqlite3.IntegrityError):
        other.execute(statement)


def test_a_flag_is_added_to_what_is_there(store: Store) -> None:
    begin(store)
    keep(store, an_attempt(flags=(ROAMED,)))
    store.add_flag("test-1", OUTLIER)
    assert store.attempts(VISIT_ID)[0].flags == (ROAMED, OUTLIER)


def test_a_flag_needs_its_attempt(store: Store) -> None:
    begin(store)
    with pytest.raises(StoreError):
        store.add_flag("nobody", OUTLIER)


def test_an_attempt_is_kept_whole_or_not_at_all(store: Store) -> None:
    """The second with a number that the file cannot hold comes last; nothing before it may stay."""
    begin(store)
    good = an_attempt()
    store.begin_attempt(announced(good))
    bad = replace(good, seconds=(*good.seconds, replace(good.seconds[0], second=9, retransmits=2**70)))
    with pytest.raises(StoreError):
        store.end_attempt(bad)
    assert store.attempt("test-1") == announced(good)
    store.end_attempt(good)
    assert store.attempt("test-1") == good


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_not_a_number_is_refused(store: Store, value: float) -> None:
    """SQLite would keep NaN as NULL, which means "not measured"."""
    begin(store)
    with pytest.raises(StoreError, match="throughput_mbps"):
        store.end_attempt(an_attempt(throughput_mbps=value))


def test_a_time_without_zone_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="started_at"):
        store.begin_visit(a_visit(started_at=datetime(2026, 3, 2, 9, 15)))  # noqa: DTZ001


def test_times_are_kept_in_utc(store: Store, path: Path) -> None:
    elsewhere = BEGAN.astimezone(timezone(timedelta(hours=5, minutes=30)))
    store.begin_visit(a_visit(started_at=elsewhere))
    assert store.visit(VISIT_ID).started_at.utcoffset() == timedelta(0)
    assert store.visit(VISIT_ID).started_at == elsewhere


def test_text_that_is_not_unicode_does_not_cost_the_attempt(store: Store) -> None:
    """Python hands undecodable bytes of the system on as lone surrogates (PEP 383)."""
    begin(store)
    keep(store, an_attempt(status=Status.FAILED, reason="the command said \udcff"))
    assert store.attempts(VISIT_ID)[0].reason == "the command said \\udcff"


def test_an_attempt_needs_its_visit(store: Store) -> None:
    with pytest.raises(StoreError):
        store.begin_attempt(announced(an_attempt()))


def test_an_attempt_belongs_to_the_turn_as_it_last_began(store: Store) -> None:
    """A resumed visit begins its turn anew; both beginnings stay."""
    begin(store)
    keep(store, an_attempt(1))
    again = a_turn(started_at=BEGAN + timedelta(hours=1), association="carried")
    store.begin_turn(again)
    keep(store, an_attempt(2))
    assert store.turns(VISIT_ID) == [a_turn(), again]
    assert [facts.turn for facts in store.facts()] == [a_turn(), again]


def test_only_the_last_visit_can_be_resumed_and_only_while_it_is_open(store: Store) -> None:
    assert store.unfinished_visit("basement", "basement") is None
    store.begin_visit(a_visit())
    assert store.unfinished_visit("basement", "basement") == a_visit()
    assert store.unfinished_visit("basement", "counter") is None
    assert store.unfinished_visit("quick", "basement") is None
    store.end_visit(VISIT_ID, BEGAN, "interrupted")
    assert store.unfinished_visit("basement", "basement") == a_visit()
    store.end_visit(VISIT_ID, BEGAN, "complete")
    assert store.unfinished_visit("basement", "basement") is None
    assert store.outcome(VISIT_ID) == "complete"


def test_an_old_unfinished_visit_does_not_come_up_behind_a_complete_one(store: Store) -> None:
    store.begin_visit(a_visit(visit_id="monday"))
    store.end_visit("monday", BEGAN, "interrupted")
    store.begin_visit(a_visit(visit_id="tuesday"))
    store.end_visit("tuesday", BEGAN, "complete")
    assert store.unfinished_visit("basement", "basement") is None


def test_unknown_names_are_said(store: Store) -> None:
    with pytest.raises(StoreError, match="no visit nobody"):
        store.visit("nobody")
    with pytest.raises(StoreError, match="no visit nobody"):
        store.end_visit("nobody", BEGAN, "complete")
    with pytest.raises(StoreError, match="no attempt nobody"):
        store.attempt("nobody")


def test_what_the_file_promises_about_power_cuts(store: Store, path: Path) -> None:
    """SQLite's manual, "PRAGMA synchronous": EXTRA (3) is FULL plus a sync of the folder once the journal is gone."""
    connection = store._connection
    assert connection.execute("PRAGMA synchronous").fetchone()[0] == 3
    assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    assert connection.execute("PRAGMA foreign_keys").fetchone()[0] == 1
    assert [entry.name for entry in path.parent.iterdir() if "journal" in entry.name or "wal" in entry.name] == []


def test_a_reader_is_answered_while_a_run_writes(store: Store, path: Path) -> None:
    begin(store)
    with StoreReader.read_only(path) as reader:
        keep(store, an_attempt(1))
        assert len(reader.attempts(VISIT_ID)) == 1
        keep(store, an_attempt(2))
        assert len(reader.attempts(VISIT_ID)) == 2


def test_a_reader_cannot_write(store: Store, path: Path) -> None:
    with StoreReader.read_only(path) as reader, pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("INSERT INTO meta VALUES ('a', 'b')")


def test_free_bytes_is_the_room_on_the_disk_of_the_results(store: Store) -> None:
    assert store.free_bytes() > 0


def full_at_present_size(store: Store) -> None:
    """SQLite's own limit on pages gives the same error as a full disk (SQLITE_FULL), without needing one."""
    pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
    store._connection.execute(f"PRAGMA max_page_count = {pages}")


def test_a_full_disk_does_not_cost_the_attempt_in_hand(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is on disk stands: it is kept like any other, and it is the next one that is refused."""
    begin(store)
    keep(store, an_attempt(1))
    big = an_attempt(2, raw="x" * 300_000)
    store.begin_attempt(announced(big))
    full_at_present_size(store)
    give_up = Reserve.give_up

    def give_up_and_make_room(reserve: Reserve) -> bool:
        store._connection.execute("PRAGMA max_page_count = 1000000")
        return give_up(reserve)

    with monkeypatch.context() as patch:
        patch.setattr(Reserve, "give_up", give_up_and_make_room)
        store.end_attempt(big)
    assert not Reserve(store.path.parent).held
    assert store.attempt("test-2") == big
    monkeypatch.setattr(Reserve, "take", lambda _: False)
    with pytest.raises(StoreFull, match="All that was kept before is there"):
        store.begin_attempt(announced(an_attempt(3)))
    assert store.attempts(VISIT_ID) == without_detail(an_attempt(1), big)
    store.end_visit(VISIT_ID, BEGAN, "store_full")
    assert store.outcome(VISIT_ID) == "store_full"


def test_when_not_even_the_reserve_helps_the_message_says_what_is_lost(store: Store) -> None:
    begin(store)
    big = an_attempt(1, raw="x" * 300_000)
    store.begin_attempt(announced(big))
    full_at_present_size(store)
    with pytest.raises(StoreFull, match="stays in the results as interrupted"):
        store.end_attempt(big)
    assert store.attempt("test-1") == announced(big)


def test_a_soak_on_a_full_disk_keeps_its_events_in_the_reserve_and_leaves_that_to_them(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The seconds of its watch would eat the reserve up, so they are refused, whole, until it is there again."""
    store.begin_visit(a_soak())
    store.add_watch_seconds(SOAK_ID, [a_watch_second(0)])
    full_at_present_size(store)
    with pytest.raises(StoreFull):
        store.add_watch_seconds(SOAK_ID, [a_watch_second(n) for n in range(1, 2000)])
    event = an_event(visit_id=SOAK_ID, detail="x" * 20_000)
    with monkeypatch.context() as full:
        full.setattr(Reserve, "take", lambda _: False)
        with pytest.raises(StoreFull):
            store.add_event(event)  # more room than the reserve has
        assert store.events(SOAK_ID) == []
        store._connection.execute("PRAGMA max_page_count = 1000000")
        store.add_event(event)
        with pytest.raises(StoreFull):
            store.add_watch_seconds(SOAK_ID, [a_watch_second(1)])
        with pytest.raises(StoreFull):
            store.begin_attempt(announced(an_attempt(1, visit_id=SOAK_ID)))
        assert not store.has_room()
    assert store.events(SOAK_ID) == [event]
    assert list(store.watch_seconds(SOAK_ID)) == [a_watch_second(0)]
    assert store.attempts(SOAK_ID) == []
    assert not Reserve(store.path.parent).held

    assert store.has_room()
    assert Reserve(store.path.parent).held
    store.add_watch_seconds(SOAK_ID, [a_watch_second(1)])
    keep(store, an_attempt(1, visit_id=SOAK_ID))
    assert len(list(store.watch_seconds(SOAK_ID))) == 2


def test_a_reserve_alone_is_no_room(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is for what has been measured, not for measuring more."""
    assert store.has_room()
    monkeypatch.setattr(Store, "free_bytes", lambda _: ANNOUNCING_BYTES - 1)
    assert not store.has_room()
    assert Reserve(store.path.parent).held


def test_no_attempt_begins_without_the_reserve(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is taken again as soon as there is room; where there is none, nothing is measured that could not be kept."""
    begin(store)
    reserve = Reserve(store.path.parent)
    assert reserve.held
    reserve.give_up()
    store.begin_attempt(announced(an_attempt(1)))
    assert reserve.held
    monkeypatch.setattr(Reserve, "take", lambda _: False)
    with pytest.raises(StoreFull, match="No room left") as raised:
        store.begin_attempt(announced(an_attempt(2)))
    assert "--resume" in str(raised.value.next_step)
    assert [attempt.test_id for attempt in store.attempts(VISIT_ID)] == ["test-1"]


def test_the_reserve_has_real_blocks_and_goes_with_the_store(path: Path) -> None:
    with Store.open(path, create=True):
        assert (path.parent / ".reserve").stat().st_blocks * 512 >= 4 * 1024 * 1024  # POSIX counts blocks of 512 bytes
    assert not (path.parent / ".reserve").exists()


def test_the_file_says_who_wrote_it(path: Path) -> None:
    Store.open(path, create=True, now=fixed_now(), writer_version="0.1.0").close()
    Store.open(path, create=False, now=fixed_now(), writer_version="0.2.0").close()
    with contextlib.closing(sqlite3.connect(path)) as other:
        meta = dict(other.execute("SELECT key, value FROM meta").fetchall())
    assert meta == {
        "created_at": BEGAN.astimezone(UTC).isoformat(timespec="microseconds"),
        "created_by": "0.1.0",
        "written_by": "0.2.0",
    }


def test_seconds_of_a_watch_come_back_in_order_and_of_their_soak_alone(store: Store) -> None:
    store.begin_visit(a_visit())
    store.begin_visit(a_soak())
    many = [a_watch_second(n, associated=None, rtt_p50_ms=None, answered=0) for n in range(7001)]
    store.add_watch_seconds(SOAK_ID, many[:1])
    store.add_watch_seconds(VISIT_ID, [a_watch_second(99)])
    store.add_watch_seconds(SOAK_ID, many[1:])
    assert list(store.watch_seconds(SOAK_ID)) == many
    assert store.visit(SOAK_ID) == a_soak()


def test_a_second_of_a_watch_that_is_no_measurement_is_refused_with_its_name(store: Store) -> None:
    store.begin_visit(a_soak())
    with pytest.raises(StoreError, match="rtt_max_ms: nan"):
        store.add_watch_seconds(SOAK_ID, [a_watch_second(0), a_watch_second(1, rtt_max_ms=float("nan"))])
    assert list(store.watch_seconds(SOAK_ID)) == []


def test_a_soak_is_never_gone_on_with_as_a_run_nor_the_other_way_round(store: Store) -> None:
    store.begin_visit(a_visit())
    store.begin_visit(a_soak())
    assert store.unfinished_visit("basement", "basement") == a_visit()
    assert store.unfinished_visit("basement", "basement", VisitKind.SOAK) == a_soak()
    store.end_visit(SOAK_ID, BEGAN, "complete")
    assert store.unfinished_visit("basement", "basement", VisitKind.SOAK) is None
