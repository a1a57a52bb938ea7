"""Which files are opened, which are refused and how, and that a refused file is left as it is."""

import contextlib
import os
import shutil
import sqlite3
from pathlib import Path

import pytest
from store_records import (
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
    begin,
    fixed_now,
    keep,
)

from sitetest.errors import Exit, StoreDamaged, StoreError, StoreNewer
from sitetest.store.database import Store
from sitetest.store.fields import SCHEMA_VERSION
from sitetest.store.migrations import STEPS, migrate, version_of
from sitetest.store.reading import StoreReader
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.schema import APPLICATION_ID

FIXTURES = Path(__file__).parents[1] / "fixtures"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "results" / "site.sqlite"


def written(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def a_store(path: Path, attempts: int = 3) -> Path:
    with Store.open(path, create=True, now=fixed_now()) as store:
        begin(store)
        keep(store, *(an_attempt(number + 1) for number in range(attempts)))
    return path


def both_openings_refuse(path: Path, kind: type[StoreError]) -> StoreError:
    """Neither opening for writing nor for reading may take the file, nor change it; returns the writer's error."""
    before = path.read_bytes()
    with pytest.raises(kind):
        StoreReader.read_only(path).facts()
    with pytest.raises(kind) as raised:
        Store.open(path, create=True, now=fixed_now())
    assert path.read_bytes() == before
    return raised.value


def test_a_store_that_does_not_exist_is_said_with_what_to_do(path: Path) -> None:
    with pytest.raises(StoreError, match="no results yet") as raised:
        StoreReader.read_only(path)
    assert "sitetest run" in raised.value.next_step
    with pytest.raises(StoreError, match="no results yet"):
        Store.open(path, create=False)
    assert not path.parent.exists()


def test_garbage_is_refused_and_left(path: Path) -> None:
    error = both_openings_refuse(written(path, b"location,throughput\r\nbasement,300\r\n" * 200), StoreDamaged)
    assert str(path) in error.message
    assert "left exactly as it is" in error.next_step
    assert error.exit_code == Exit.WRONG_USE


def test_an_empty_file_is_refused(path: Path) -> None:
    """Ours is never empty: it appears whole. An empty one may be all that an accident left of real results."""
    assert "it is empty" in both_openings_refuse(written(path, b""), StoreDamaged).message


def test_a_database_of_another_program_is_refused(path: Path) -> None:
    path.parent.mkdir()
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE book (title TEXT)")
    assert "another program" in both_openings_refuse(path, StoreDamaged).message


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_torn_file_is_refused(path: Path, share: float) -> None:
    """Copied half-way, say."""
    whole = a_store(path).read_bytes()
    both_openings_refuse(written(path, whole[: int(len(whole) * share)]), StoreDamaged)


def test_a_file_damaged_inside_is_not_written_to(path: Path) -> None:
    """In a table that opening does not read for itself: only a check of the whole file finds it."""
    whole = bytearray(a_store(path, attempts=30).read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as other:
        (root,) = other.execute("SELECT rootpage FROM sqlite_master WHERE name = 'second'").fetchone()
        (page_bytes,) = other.execute("PRAGMA page_size").fetchone()
    start = (root - 1) * page_bytes  # pages are numbered from 1 (SQLite, "Database File Format")
    whole[start : start + 64] = bytes([0xFF] * 64)
    before = bytes(whole)
    written(path, before)
    with pytest.raises(StoreDamaged):
        Store.open(path, create=False)
    assert path.read_bytes() == before


def test_a_row_that_cannot_be_read_is_damage_not_a_crash(path: Path) -> None:
    a_store(path)
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("DROP TRIGGER attempt_settled")
        other.execute("UPDATE attempt SET started_at = 'yesterday'")
        other.commit()
    with pytest.raises(StoreDamaged, match="yesterday"), StoreReader.read_only(path) as reader:
        reader.facts()


def newer(path: Path, *statements: str) -> Path:
    a_store(path)
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        other.execute("UPDATE meta SET value = '9.8.7' WHERE key = 'written_by'")
        for statement in statements:
            other.execute(statement)
        other.commit()
    return path


def test_a_newer_file_is_refused_with_the_versions(path: Path) -> None:
    error = both_openings_refuse(newer(path), StoreNewer)
    assert "sitetest 9.8.7" in error.message
    assert f"format {SCHEMA_VERSION + 1}" in error.message
    assert error.exit_code == Exit.WRONG_USE


def test_a_newer_file_is_refused_although_its_tables_are_unknown(path: Path) -> None:
    assert "a newer sitetest" in both_openings_refuse(newer(path, "DROP TABLE meta"), StoreNewer).message


def stored(tmp_path: Path, version: int) -> tuple[Path, list[AttemptRecord]]:
    """Return a copy of the file that was written when that version was the current one, and what went into it.

    A file of a released version is never made again.
    """
    path = tmp_path / "site.sqlite"
    shutil.copy(FIXTURES / f"store-version-{version}.sqlite", path)
    attempts = [
        an_attempt(1),
        an_attempt(2, status=Status.FAILED, reason="unreachable", throughput_mbps=None, flags=(ROAMED,), seconds=()),
    ]
    return path, attempts if version == 1 else [*attempts, an_observed_attempt(3)]


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION + 1))
def test_stores_of_every_version_open_for_ever(tmp_path: Path, version: int) -> None:
    path, expected = stored(tmp_path, version)
    before = path.read_bytes()
    with StoreReader.read_only(path) as reader:
        visits = [a_visit(plan='{"turns": []}')]
        assert reader.visits() == (visits if version < 3 else [*visits, a_soak()])
        assert reader.turns(VISIT_ID) == [a_turn()]
        assert reader.events(VISIT_ID) == [an_event()]
        assert [reader.attempt(attempt.test_id) for attempt in expected] == expected
        assert reader.baselines() == ([] if version == 1 else [a_baseline()])
        seconds = [] if version < 3 else [a_watch_second(), a_watch_second(1, associated=None)]
        assert list(reader.watch_seconds(SOAK_ID)) == seconds
    assert path.read_bytes() == before
    with Store.open(path, create=False) as store:
        assert store.outcome(VISIT_ID) == "interrupted"
        keep(store, an_observed_attempt(4))
        store.add_baseline(a_baseline(2))
        expected.append(an_observed_attempt(4))
        assert [store.attempt(attempt.test_id) for attempt in store.attempts(VISIT_ID)] == expected
        assert store.baselines()[-1] == a_baseline(2)


def test_a_store_of_version_1_is_brought_up_whole_and_is_the_same_as_a_new_one(tmp_path: Path) -> None:
    """Table by table and trigger by trigger, as SQLite itself describes them; every reference leads somewhere."""
    path, _ = stored(tmp_path, 1)
    Store.open(path, create=False).close()
    new = tmp_path / "new" / "site.sqlite"
    Store.open(new, create=True).close()
    with contextlib.closing(sqlite3.connect(path)) as old, contextlib.closing(sqlite3.connect(new)) as fresh:
        described = [
            one.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY name").fetchall()
            for one in (old, fresh)
        ]
        assert described[0] == described[1]
        assert old.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert old.execute("PRAGMA foreign_key_check").fetchall() == []
        assert old.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)


def test_a_file_of_this_version_is_refused_by_the_one_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, _ = stored(tmp_path, 2)
    monkeypatch.setattr("sitetest.store.opening.SCHEMA_VERSION", 1)
    assert "format 2, this sitetest knows formats up to 1" in both_openings_refuse(path, StoreNewer).message


def test_migrations_run_in_order_from_where_the_file_is() -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    ran: list[str] = []

    def later(name: str) -> None:
        ran.append(name)

    steps = (*STEPS, lambda _: later("second"), lambda _: later("third"))
    migrate(connection, steps)
    migrate(connection, steps)
    assert ran == ["second", "third"]
    assert version_of(connection) == len(steps)
    connection.close()


def test_a_migration_that_fails_leaves_the_file_as_it_was() -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)

    def fails_half_way(on: sqlite3.Connection) -> None:
        on.execute("CREATE TABLE half (way TEXT)")
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        migrate(connection, (*STEPS, fails_half_way))
    assert version_of(connection) == len(STEPS)
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone()[0] == 0
    connection.close()


def test_an_older_file_is_brought_up_in_memory_for_reading(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    a_store(path)
    before = path.read_bytes()
    steps = (*STEPS, lambda on: on.execute("ALTER TABLE attempt ADD COLUMN later TEXT"))
    monkeypatch.setattr("sitetest.store.opening.SCHEMA_VERSION", len(steps))
    monkeypatch.setattr("sitetest.store.opening.migrate", lambda connection: migrate(connection, steps))
    with StoreReader.read_only(path) as reader:
        assert version_of(reader._connection) == len(steps)
        assert len(reader.attempts(VISIT_ID)) == 3
    assert path.read_bytes() == before


def test_the_application_id_is_ours(path: Path) -> None:
    """The SQLite file format puts it at offset 68, big-endian."""
    assert a_store(path).read_bytes()[68:72] == b"SITE" == APPLICATION_ID.to_bytes(4, "big")


def test_a_store_appears_whole_or_not_at_all(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("sitetest.store.opening.put_in_place", killed)
    with pytest.raises(KeyboardInterrupt):
        Store.open(path, create=True)
    assert not path.exists()
    monkeypatch.undo()
    Store.open(path, create=True).close()  # the lock was let go as well


def test_what_a_killed_creation_left_is_written_over(path: Path) -> None:
    written(path.with_name(".site.sqlite.new"), b"half a store")
    Store.open(path, create=True).close()
    assert [entry.name for entry in path.parent.iterdir() if entry.name.endswith(".new")] == []


def test_a_cut_off_writing_is_undone_even_for_a_reader(path: Path, tmp_path: Path) -> None:
    """A kill in mid-commit leaves a "hot" journal, as SQLite calls it; a read-only opening may not roll it back."""
    a_store(path)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as dying:
        dying.execute("PRAGMA cache_size = 1")
        dying.execute("BEGIN IMMEDIATE")
        dying.executemany(
            "INSERT INTO event (visit_id, at, offset_s, kind, detail) VALUES (?, '', 0, 'k', ?)",
            [(VISIT_ID, "x" * 5000)] * 50,
        )
        elsewhere = tmp_path / "copy" / "site.sqlite"
        elsewhere.parent.mkdir()
        shutil.copy(path, elsewhere)
        shutil.copy(f"{path}-journal", f"{elsewhere}-journal")
        dying.execute("ROLLBACK")
    assert elsewhere.read_bytes() != path.read_bytes()
    with StoreReader.read_only(elsewhere) as reader:
        assert reader.events(VISIT_ID) == []
        assert len(reader.attempts(VISIT_ID)) == 3


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write everywhere; see the lab test")
def test_a_folder_without_permission_is_said(path: Path) -> None:
    a_store(path)
    path.parent.chmod(0o500)
    try:
        with pytest.raises(StoreError, match="cannot be opened"):
            Store.open(path, create=True)
        with StoreReader.read_only(path) as reader:
            assert len(reader.attempts(VISIT_ID)) == 3
    finally:
        path.parent.chmod(0o700)


def test_a_results_folder_that_is_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with pytest.raises(StoreError, match="cannot be opened"):
        Store.open(tmp_path / "results" / "site.sqlite", create=True)
