"""Prints how many attempts a second the store keeps when the site is new and when it has 5,000 attempts already.

    python tests/benchmarks/attempts_kept_per_second.py [ATTEMPTS]

Each is announced, kept whole and brought into results.csv, synced to the disk of the temporary folder. Aim: what is
there already costs little; results.csv alone is written whole each time.
"""

import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from store_records import a_turn, a_visit, an_attempt, keep

from sitetest.store.database import Store
from sitetest.store.records import AttemptRecord

TURNS_A_VISIT = 100
PLAN = '{"turns": [' + "{}, " * 12_000 + "{}]}"  # about what a plan of a hundred turns takes
TIMED = 60


def fill(store: Store, attempts: int) -> None:
    """Keep many attempts without waiting for the disk, a visit each hundred."""
    store._connection.execute("PRAGMA synchronous = OFF")
    write, store._table.write = store._table.write, lambda: None  # type: ignore[method-assign]
    for number in range(attempts):
        visit_id = f"visit-{number // TURNS_A_VISIT}"
        if number % TURNS_A_VISIT == 0:
            store.begin_visit(a_visit(visit_id=visit_id, plan=PLAN))
        turn = number % TURNS_A_VISIT + 1
        store.begin_turn(a_turn(visit_id=visit_id, turn=turn))
        store.end_attempt(an_attempt(number, visit_id=visit_id, turn=turn))
    store._table.write = write  # type: ignore[method-assign]
    store._connection.execute("PRAGMA synchronous = EXTRA")


def per_second(store: Store, attempts: Iterable[AttemptRecord]) -> float:
    """Keep attempts as a run does and return how many a second."""
    began_s = time.perf_counter()
    count = 0
    for attempt in attempts:
        keep(store, attempt)
        count += 1
    return count / (time.perf_counter() - began_s)


def main() -> None:
    """Measure new, full, and the commits alone."""
    before = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "results" / "site.sqlite"
        for already in (0, before):
            with Store.open(path, create=True) as store:
                fill(store, already)
                store.begin_visit(a_visit(visit_id=f"timed-{already}", plan=PLAN))
                timed = [
                    an_attempt(n, test_id=f"timed-{already}-{n}", visit_id=f"timed-{already}") for n in range(TIMED)
                ]
                rate = per_second(store, timed)
                table_mb = path.with_name("results.csv").stat().st_size / 1e6
                print(f"with {already:5} attempts: {rate:6.1f} attempts kept a second, results.csv {table_mb:.2f} MB")


if __name__ == "__main__":
    main()
