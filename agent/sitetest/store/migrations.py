"""From any older version of the store to this one, step by step, each in one transaction.

``STEPS[n]`` brings a file of version n to version n + 1; a step, once released, is never edited.
May import the standard library, errors and the schema only.
"""

import sqlite3
from collections.abc import Callable, Sequence

from sitetest.store.schema import APPLICATION_ID, SCHEMA_1, SCHEMA_2, SCHEMA_3

Step = Callable[[sqlite3.Connection], None]


def _create(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in _statements(SCHEMA_1):
        connection.execute(statement)


def _take_in_observers(connection: sqlite3.Connection) -> None:
    for statement in _statements(SCHEMA_2):
        connection.execute(statement)


def _take_in_soaks(connection: sqlite3.Connection) -> None:
    for statement in _statements(SCHEMA_3):
        connection.execute(statement)


def _statements(script: str) -> list[str]:
    """Split a script; `executescript` would commit the transaction in which the step runs."""
    found: list[str] = []
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            found.append(pending.strip())
            pending = ""
    return found


STEPS: tuple[Step, ...] = (_create, _take_in_observers, _take_in_soaks)


def version_of(connection: sqlite3.Connection) -> int:
    """Return the schema version of an open file; 0 for one without tables of ours."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection, steps: Sequence[Step] = STEPS) -> None:
    """Bring the open file to version ``len(steps)``. A step that fails leaves the file as it was before that step.

    The connection must be in autocommit mode (``isolation_level=None``).
    """
    for version in range(version_of(connection), len(steps)):
        connection.execute("BEGIN IMMEDIATE")
        try:
            steps[version](connection)
            connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
