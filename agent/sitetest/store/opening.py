"""Open results/site.sqlite: make a new one, bring an older one up, refuse what is not ours, newer or damaged.

A new store appears whole or not at all: it is made beside its place and renamed. A file that is refused is not touched.
Durability: rollback journal, and `synchronous=EXTRA`, which is FULL plus a sync of the folder after the journal is gone
(SQLite, "PRAGMA synchronous"): with FULL alone a power cut can bring the journal back and undo an attempt that was
already announced as kept. May import migrations, schema, fields, errors and the standard library only.
"""

import sqlite3
from pathlib import Path

from sitetest.errors import StoreError, StoreNewer
from sitetest.store.atomic_file import put_in_place
from sitetest.store.fields import SCHEMA_VERSION
from sitetest.store.migrations import migrate, version_of
from sitetest.store.schema import APPLICATION_ID
from sitetest.store.sqlite_errors import damaged, needs_rollback, translated

BUSY_LIMIT_S = 15.0
"""How long one side waits for the other's lock. A reader holds its lock for as long as it takes to read the whole site:
well under a second for ten thousand attempts."""


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}", uri=True, isolation_level=None, timeout=BUSY_LIMIT_S
    )
    connection.row_factory = sqlite3.Row
    for setting in ("foreign_keys = ON", "trusted_schema = OFF", "temp_store = MEMORY"):
        connection.execute(f"PRAGMA {setting}")
    return connection


def create(path: Path, created_at: str, writer_version: str) -> None:
    """Make an empty store at ``path``, where no file may be. Raises StoreError."""
    beside = path.with_name(f".{path.name}.new")
    with translated(path):
        try:
            beside.unlink(missing_ok=True)
            connection = _connect(beside, "rwc")
            try:
                connection.execute("PRAGMA synchronous = EXTRA")
                migrate(connection)
                connection.executemany(
                    "INSERT INTO meta (key, value) VALUES (?, ?)",
                    [("created_at", created_at), ("created_by", writer_version), ("written_by", writer_version)],
                )
            finally:
                connection.close()
            put_in_place(beside, path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise


def open_for_writing(path: Path, writer_version: str) -> sqlite3.Connection:
    """Open an existing store, checked and brought to this version. Raises StoreError, StoreNewer, StoreDamaged."""
    with translated(path):
        connection = _connect(path, "rw")
        try:
            _check(connection, path)
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise damaged(path, found)
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA synchronous = EXTRA")
            migrate(connection)
            connection.execute("UPDATE meta SET value = ? WHERE key = 'written_by'", (writer_version,))
        except BaseException:
            connection.close()
            raise
        return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a store that is not to be changed, on a read-only medium too. An older one is brought up in memory.

    Raises StoreError, StoreNewer, StoreDamaged.
    """
    if not path.is_file():
        raise StoreError(
            f"There are no results yet: {path} does not exist.",
            "Measure first with `sitetest run`, or name the right folder with --site.",
        )
    with translated(path):
        connection = _connect(path, "ro")
        try:
            try:
                _check(connection, path)
            except sqlite3.OperationalError as problem:
                if not needs_rollback(problem):
                    raise
                _undo_cut_off_writing(path)
                _check(connection, path)
            if version_of(connection) == SCHEMA_VERSION:
                return connection
            return _brought_up_in_memory(connection)
        except BaseException:
            connection.close()
            raise


def _undo_cut_off_writing(path: Path) -> None:
    connection = _connect(path, "rw")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    finally:
        connection.close()


def _brought_up_in_memory(older: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", isolation_level=None)
    copy.row_factory = sqlite3.Row
    older.backup(copy)
    older.close()
    migrate(copy)
    return copy


def _check(connection: sqlite3.Connection, path: Path) -> None:
    if path.stat().st_size == 0:
        raise damaged(path, "it is empty")
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    if application != APPLICATION_ID:
        raise damaged(path, f"it is a database of another program (application id {application})")
    version = version_of(connection)
    if version > SCHEMA_VERSION:
        raise StoreNewer(
            f"{path} was written by {_writer_of(connection)}: it has format {version}, this sitetest knows formats "
            f"up to {SCHEMA_VERSION}.",
            "Use that version or a newer one to read it.",
        )
    if version < 1:
        raise damaged(path, "it has no tables of ours")


def _writer_of(connection: sqlite3.Connection) -> str:
    try:
        row = connection.execute("SELECT value FROM meta WHERE key = 'written_by'").fetchone()
    except sqlite3.OperationalError:  # a newer version may keep this elsewhere
        row = None
    return "a newer sitetest" if row is None else f"sitetest {row[0]}"
