"""Prints how long the document of a big site takes, and how big it is: 10,000 attempts, and a soak of ten hours.

    python tests/benchmarks/report_of_a_long_soak.py

Aims: under 30 s, under 10 MB.
"""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from made_site import made_site
from store_records import a_visit, an_attempt

from sitetest.cli.main import main as sitetest
from sitetest.store.database import Store
from sitetest.store.reading import store_path

ATTEMPTS = 10_000


def main() -> None:
    """Make the site, then its document."""
    with tempfile.TemporaryDirectory() as folder:
        site = made_site(Path(folder) / "shop", night_h=10.0)
        with Store.open(store_path(site), create=False, table_behind_s=float("inf")) as store:
            store._connection.execute("PRAGMA synchronous = OFF")
            store.begin_visit(a_visit(visit_id="many", location="reading-room"))
            one = an_attempt(visit_id="many", location="reading-room")
            for number in range(ATTEMPTS):
                config = "auto" if number % 2 else "wide80"
                store.end_attempt(
                    replace(one, test_id=f"many-{number}", turn=number + 1, order_index=number, ap_config=config)
                )
            store.end_visit("many", one.started_at, "complete")
        began_s = time.perf_counter()
        code = sitetest(["report", "--site", str(site)])
        took_s = time.perf_counter() - began_s
        size_mb = (site / "results" / "report.html").stat().st_size / 1e6
        print(f"exit code {code}: {took_s:.1f} s, {size_mb:.2f} MB")


if __name__ == "__main__":
    main()
