"""Writes the file that stands for this version of the store in the tests, once, before the version is released:

python tests/stored_version_file.py tests/fixtures/store-version-N.sqlite
"""

import sys
import tempfile
from pathlib import Path

from store_records import (
    BEGAN,
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
    fixed_now,
    keep,
)

from sitetest.store.database import Store
from sitetest.store.records import Status


def write(target: Path) -> None:
    """Put a visit with three attempts, a wired baseline and a soak that was watched into a new store."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.sqlite"
        with Store.open(path, create=True, now=fixed_now(), writer_version="0.1.0") as store:
            store.begin_visit(a_visit(plan='{"turns": []}'))
            store.begin_turn(a_turn())
            failed = an_attempt(
                2, status=Status.FAILED, reason="unreachable", throughput_mbps=None, flags=(ROAMED,), seconds=()
            )
            keep(store, an_attempt(1), failed, an_observed_attempt(3))
            store.add_event(an_event())
            store.add_baseline(a_baseline())
            store.end_visit(VISIT_ID, BEGAN, "interrupted")
            store.begin_visit(a_soak())
            store.add_watch_seconds(SOAK_ID, [a_watch_second(), a_watch_second(1, associated=None)])
        target.write_bytes(path.read_bytes())


if __name__ == "__main__":
    write(Path(sys.argv[1]))
