"""Prints the wall time of an attempt minus its nominal time, per engine and direction, on loopback.

    python tests/benchmarks/attempt_overhead.py [REPEATS]

Lease, connections, worker process and the end are all inside. Aims: <= 0.5 s iperf3, <= 0.3 s http.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from http_transfers import KeepingWatch
from server_process import ServerProcess, server_process

from sitetest.engines.base import Engine, TransferSpec
from sitetest.engines.http import HttpEngine
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest.engines.server_api import ServerApi
from sitetest_wire.words import Direction


async def overheads_s(server: ServerProcess, repeats: int) -> None:
    """Print one line an engine and direction."""
    async with ServerApi(server.url, server.token) as api:
        engines: list[Engine] = [Iperf3Engine(api, "benchmark"), HttpEngine(api, "benchmark")]
        for engine in engines:
            for direction in Direction:
                spec = TransferSpec(direction, 5, 1, 2)
                over_s = []
                for _ in range(repeats):
                    began_s = time.monotonic()
                    result = await engine.transfer(spec, KeepingWatch(), asyncio.Event())
                    over_s.append(time.monotonic() - began_s - spec.total_s)
                    if result.failure is not None:
                        raise SystemExit(f"{engine.name} {direction}: {result.failure}")
                aim_s = 0.5 if engine.name == "iperf3" else 0.3
                print(f"{engine.name:7} {direction:9} median {statistics.median(over_s):.3f} s, "
                      f"largest {max(over_s):.3f} s   (aim <= {aim_s} s)")  # fmt: skip


def main() -> None:
    """Measure and print."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as folder, server_process(Path(folder)) as server:
        asyncio.run(overheads_s(server, repeats))


if __name__ == "__main__":
    main()
