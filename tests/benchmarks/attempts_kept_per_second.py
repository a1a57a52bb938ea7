"""Prints how fast the store keeps attempts, and how much memory it holds, when the site is new and when it is full.

    python tests/benchmarks/attempts_kept_per_second.py [ATTEMPTS]

Each attempt is announced, kept whole and synced to the disk of the temporary folder: as a run does, results.csv with
each of them, and as a soak does, results.csv some minutes behind. Aims: in a soak what is there already costs nothing,
and memory does not grow with it.
"""

import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

import psutil
from store_records import BEGAN, a_turn, a_visit, an_attempt, keep

from sitetest.store.database import SOAK_TABLE_BEHIND_S, Store
from sitetest.store.records import AttemptRecord

MIB = 2**20
TURNS_A_VISIT = 100
PLAN = '{"turns": [' + "{}, " * 12_000 + "{}]}"  # about what a plan of a hundred turns takes
TIMED = 60


def fill(store: Store, attempts: int) -> None:
    """Keep many attempts without waiting for the disk, a visit each hundred."""
    store._connection.execute("PRAGMA synchronous = OFF")
    for number in range(attempts):
        visit_id = f"visit-{number // TURNS_A_VISIT}"
        if number % TURNS_A_VISIT == 0:
            store.begin_visit(a_visit(visit_id=visit_id, plan=PLAN))
        turn = number % TURNS_A_VISIT + 1
        store.begin_turn(a_turn(visit_id=visit_id, turn=turn))
        store.end_attempt(an_attempt(number, visit_id=visit_id, turn=turn))
    store._connection.execute("PRAGMA synchronous = EXTRA")


def per_second(store: Store, attempts: Iterable[AttemptRecord]) -> float:
    """Keep attempts as a run does and return how many a second, by the median: others use this disk too."""
    took_s = []
    for attempt in attempts:
        began_s = time.perf_counter()
        keep(store, attempt)
        took_s.append(time.perf_counter() - began_s)
    return 1 / median(took_s)


def main() -> None:
    """Measure a new site and a full one, in both ways."""
    before = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    rates: dict[tuple[str, int], float] = {}
    for already in (1000, before):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "results" / "site.sqlite"
            with Store.open(path, create=True, table_behind_s=float("inf")) as store:
                fill(store, already)
            for how, behind_s in (("run", 0.0), ("soak", SOAK_TABLE_BEHIND_S)):
                visit_id = f"timed-{how}"
                tracemalloc.start()
                with Store.open(path, create=True, table_behind_s=behind_s) as store:
                    store.begin_visit(a_visit(visit_id=visit_id, plan=PLAN))
                    opened_mb = tracemalloc.get_traced_memory()[1] / 1e6
                    timed = [an_attempt(n, test_id=f"{visit_id}-{n}", visit_id=visit_id) for n in range(TIMED)]
                    tracemalloc.stop()
                    rates[how, already] = per_second(store, timed)
                    held_mib = psutil.Process().memory_info().rss / MIB
                    began_s = time.perf_counter()
                    keep(store, an_attempt(TIMED, test_id=f"{visit_id}-{TIMED}", visit_id=visit_id))
                    store.end_visit(visit_id, BEGAN, "complete")
                    added_ms = 1000 * (time.perf_counter() - began_s)
                began_s = time.perf_counter()
                Store.open(path, create=True).close()
                opened_ms = 1000 * (time.perf_counter() - began_s)
                table_mb = path.with_name("results.csv").stat().st_size / 1e6
                print(
                    f"{how:4} with {already:6} attempts: {rates[how, already]:6.1f} attempts kept a second, "
                    f"results.csv {table_mb:.2f} MB, at most {opened_mb:.2f} MB of Python objects while it was opened, "
                    f"{held_mib:.0f} MiB resident; {added_ms:.0f} ms to keep one more, end the visit and add what the "
                    f"table lacked, {opened_ms:.0f} ms to check, open and write the whole table"
                )
    for how in ("run", "soak"):
        print(f"{how}: a full site keeps {rates[how, before] / rates[how, 1000]:.2f} of a new one's attempts a second")


if __name__ == "__main__":
    main()
