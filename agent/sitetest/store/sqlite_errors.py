"""What SQLite says, in words and types of this house; the one place where that is translated.

May import errors and the standard library only.
"""

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sitetest.errors import StoreDamaged, StoreError, StoreFull, StoreNotWritable


def needs_rollback(problem: sqlite3.Error) -> bool:
    """Whether a writing that was cut off must be undone first, which a read-only opening may not do."""
    return getattr(problem, "sqlite_errorcode", None) in (
        sqlite3.SQLITE_READONLY_ROLLBACK,
        sqlite3.SQLITE_READONLY_CANTINIT,
        sqlite3.SQLITE_READONLY_RECOVERY,
    )


def _primary_code(problem: sqlite3.Error) -> int | None:
    code = getattr(problem, "sqlite_errorcode", None)
    return None if code is None else int(code) & 0xFF


def store_error(problem: sqlite3.Error, path: Path) -> StoreError:
    """Return our error for one of SQLite's about the file ``path``."""
    code = _primary_code(problem)
    if code == sqlite3.SQLITE_FULL:
        return disk_full(path)
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT):
        return damaged(path, str(problem))
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreNotWritable(
            f"{path} is held by another program.",
            "Close whatever has the results open (a database viewer?) and start again; nothing that was kept is lost.",
        )
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH):
        return not_writable(path, str(problem))
    return StoreError(f"{path} cannot be used: {problem}.", "What was kept before is untouched.")


def damaged(path: Path, what: str) -> StoreDamaged:
    """Return the error for a file that is not a whole store."""
    return StoreDamaged(
        f"{path} is not a usable results store: {what}.",
        "It is left exactly as it is. Put back a copy of it, or move it away to begin a new one; results.csv beside it "
        "may still have the attempts.",
    )


def disk_full(path: Path) -> StoreFull:
    """Return the error for a writing that found no room and changed nothing."""
    return StoreFull(
        f"No room left on the disk of {path.parent}: this could not be kept. All that was kept before is there.",
        "Free some space, then go on with `--resume`.",
    )


def not_writable(path: Path, what: str) -> StoreNotWritable:
    """Return the error for a place that does not let us write."""
    return StoreNotWritable(
        f"{path} cannot be opened here: {what}.",
        "Check that the folder exists and that you may write to it; to analyse results on a read-only medium, copy the "
        "folder to a disk first.",
    )


@contextlib.contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn errors of SQLite and of records that cannot be kept into StoreErrors about the file ``path``."""
    try:
        yield
    except sqlite3.Error as problem:
        raise store_error(problem, path) from problem
    except OverflowError as problem:
        raise StoreError(f"{path}: a whole number is too large to be kept: {problem}.") from problem


@contextlib.contextmanager
def translated_reading(path: Path) -> Iterator[None]:
    """As :func:`translated`; content that does not make a record is damage."""
    try:
        with translated(path):
            yield
    except (ValueError, TypeError, LookupError) as problem:
        raise damaged(path, f"a row in it cannot be read ({problem})") from problem
