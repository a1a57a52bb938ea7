"""Prints what `compare` takes on a million attempts, as multiples of the same grouped means by bare pandas.

    python tests/benchmarks/compare_million_rows.py [ROUNDS]

Two files in Parquet: a table with every column, as `sitetest export` writes it (two attempts a turn, in quads), and one
as people type it, with four columns and each row a turn of its own. For each, in turn, in a process of its own and
after its imports: `compare` from the file to the JSON document; pandas reading the file and taking the means by case
and AP config. Bare pandas is taken twice: reading the whole file, and reading only the columns that the means need.
Aims, against the whole file: time <= 3; memory at its peak over the loaded frame <= 2. Linux (memory from /proc).
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROWS = 1_000_000
TURNS_A_VISIT = 40
GROUPING = ["location", "leg", "engine", "direction", "ap_config"]
MIB = 2**20


def write_files(folder: Path) -> dict[str, Path]:
    """Write the two tables; invented, with a seed."""
    import numpy as np
    import pyarrow as pa  # type: ignore[import-untyped]
    from pyarrow import parquet

    from sitetest.store.fields import ATTEMPT_FIELDS

    random = np.random.default_rng(7)
    row = np.arange(ROWS)
    turn = row // 2 % TURNS_A_VISIT
    visit = row // (2 * TURNS_A_VISIT)
    wide = np.array([0, 1, 1, 0])[turn % 4].astype(bool)
    rates = np.exp(random.normal(6, 0.08, ROWS)) * np.where(wide, 1.12, 1.0)
    began = np.datetime64("2026-03-02T09:00:00") + row * np.timedelta64(20, "s")
    known: dict[str, object] = {
        "test_id": [f"{n:032x}" for n in row],
        "visit_id": pa.array([f"{n:032x}" for n in range(visit[-1] + 1)]).take(pa.array(visit)),
        "location": pa.array([f"spot-{n}" for n in range(25)]).take(pa.array(visit % 25)),
        "ap_config": pa.array(["auto", "wide80"]).take(pa.array(wide.astype(int))),
        "direction": pa.array(["download", "upload"]).take(pa.array(row % 2)),
        "turn": turn + 1,
        "repeat": turn // 2 + 1,
        "quad": turn // 4 + 1,
        "order_index": row % (2 * TURNS_A_VISIT) + 1,
        "started_at": pa.array(began.astype("datetime64[us]"), pa.timestamp("us", tz="UTC")),
        "counted": np.ones(ROWS, bool),
        "throughput_mbps": rates,
        "received_bytes": (rates * 30e6 / 8).astype("int64"),
    }
    fixed = {
        "site": "quay-street-bookshop", "access_point": "counter", "firmware": "7.1", "leg": "lan", "engine": "iperf3",
        "client": "laptop", "server": "192.0.2.10:8474", "profile": "basement", "status": "ok", "link_source": "none",
        "congestion_control": "cubic", "engine_version": "3.12", "sitetest_version": "0.1.0", "purpose": "planned",
        "association": "fresh", "switched": "command", "local_address": "192.0.2.20", "streams": 5, "attempt": 1,
        "schema_version": 1, "seed": 7, "warm_up_s": 3.0, "duration_s": 30.0, "window_s": 30.0, "wall_s": 34.0,
        "offset_s": 1.0,
    }  # fmt: skip
    types = {"string": pa.string(), "integer": pa.int64(), "number": pa.float64(), "boolean": pa.bool_()}
    columns = {}
    for field in ATTEMPT_FIELDS:
        kind = types.get(field.type, pa.timestamp("us", tz="UTC"))
        if field.name in known:
            columns[field.name] = pa.array(known[field.name], kind)
        elif field.name in fixed:
            columns[field.name] = pa.repeat(pa.scalar(fixed[field.name], kind), ROWS)
        else:
            columns[field.name] = pa.nulls(ROWS, kind)
    whole = pa.table(columns)
    files = {"exported": folder / "attempts.parquet", "typed": folder / "typed.parquet"}
    parquet.write_table(whole, files["exported"], compression="zstd")
    four = ["location", "direction", "ap_config", "throughput_mbps"]
    parquet.write_table(whole.select(four), files["typed"], compression="zstd")
    return files


def compare_once(file: Path) -> Callable[[], object]:
    """Return ``compare`` without the program's start: from the file to the text of the JSON document."""
    import pandas as pd  # noqa: F401  (imports are not what is measured)
    from pyarrow import parquet  # noqa: F401

    from sitetest.comparing.campaign import compare
    from sitetest.comparing.data_file import read_data_file
    from sitetest.comparing.document import comparison_document
    from sitetest.comparing.pairing import Question

    question = Question("ap_config", ("auto", "wide80"))
    return lambda: json.dumps(comparison_document(compare(read_data_file(file), question)))


def means_once(file: Path, *, whole: bool) -> Callable[[], object]:
    """Return the grouped means by bare pandas."""
    import pandas as pd
    from pyarrow import parquet

    present = set(parquet.read_schema(file).names)
    by = [name for name in GROUPING if name in present]
    columns = None if whole else [*by, "throughput_mbps"]

    def run() -> object:
        return pd.read_parquet(file, columns=columns).groupby(by)["throughput_mbps"].mean()

    return run


def frame_bytes(file: Path) -> int:
    """Return the size of the whole frame once loaded."""
    import pandas as pd

    return int(pd.read_parquet(file).memory_usage(deep=True).sum())


def status_kib(name: str) -> int:
    """Return a size of this process from /proc/self/status."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith(name))
    return int(line.split()[1])


def measure(job: str, file: Path) -> dict[str, float]:
    """Do one job in this process: seconds, and the peak of resident memory above what was there before."""
    run = {
        "compare": lambda: compare_once(file),
        "pandas": lambda: means_once(file, whole=True),
        "pandas, needed columns": lambda: means_once(file, whole=False),
    }[job]()
    before = status_kib("VmRSS:")
    Path("/proc/self/clear_refs").write_text("5")  # VmHWM starts anew, proc(5)
    began_s = time.perf_counter()
    run()
    took_s = time.perf_counter() - began_s
    return {"s": took_s, "bytes": (status_kib("VmHWM:") - before) * 1024}


def main() -> None:
    """Measure and print."""
    if len(sys.argv) == 4:
        print(json.dumps(measure(sys.argv[2], Path(sys.argv[3]))))
        return
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    jobs = ("compare", "pandas", "pandas, needed columns")
    with tempfile.TemporaryDirectory() as folder:
        for shape, file in write_files(Path(folder)).items():
            seen: dict[str, list[dict[str, float]]] = {job: [] for job in jobs}
            for number in range(rounds):
                for job in jobs if number % 2 == 0 else reversed(jobs):
                    command = [sys.executable, __file__, "job", job, str(file)]
                    done = subprocess.run(command, check=True, capture_output=True, text=True)
                    seen[job].append(json.loads(done.stdout))
            whole_s, needed_s = (
                statistics.median(a["s"] / b["s"] for a, b in zip(seen["compare"], seen[job], strict=True))
                for job in jobs[1:]
            )
            peak, loaded = max(one["bytes"] for one in seen["compare"]), frame_bytes(file)
            for job in jobs:
                took_s = statistics.median(one["s"] for one in seen[job])
                print(f"{shape:8} {job:22} median {took_s:.2f} s", file=sys.stderr)
            print(
                f"{shape:8} compare over bare pandas: time {whole_s:.2f} (aim <= 3; {needed_s:.2f} when pandas reads "
                f"only the columns it needs); memory {peak / loaded:.2f} of the loaded frame of {loaded / MIB:.0f} MiB "
                "(aim <= 2)"
            )


if __name__ == "__main__":
    main()
