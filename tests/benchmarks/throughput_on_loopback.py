"""Prints what the agent's engines carry on loopback as shares of what the bare iperf3 program carries.

    python tests/benchmarks/throughput_on_loopback.py [ROUNDS]

Each round measures the bare program, the iperf3 engine and the http engine one after the other, every second round
backwards; a ratio is taken within its round and the median of the rounds is printed, so that drift of the machine falls
on all alike. All that serves runs on core 0 and all that asks on core 1, like two machines; left to the scheduler, the
same program varies threefold from one run to the next. Aims, both directions: iperf3 engine over program >= 0.97, http
engine over iperf3 engine >= 0.35. Load goes to loopback only. Needs Linux, the iperf3 program and libiperf.
"""

import asyncio
import json
import os
import socket
import statistics
import subprocess
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
from sitetest.plan.server_address import parse_server_address
from sitetest_wire.words import Direction

STREAMS, WARM_UP_S, DURATION_S = 5, 1, 3
ON_CORE_0 = ("taskset", "-c", "0")
SUBJECTS = ("program", "iperf3", "http")


def program_mbps(direction: Direction) -> float:
    """Return the goodput of the bare program: bytes received over the seconds that it states."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    server = subprocess.Popen([*ON_CORE_0, "iperf3", "-s", "-1", "-p", port], stdout=subprocess.DEVNULL)
    try:
        time.sleep(0.5)
        command = ["iperf3", "-c", "127.0.0.1", "-p", port, "-P", str(STREAMS), "-J", "-O", str(WARM_UP_S)]
        command += ["-t", str(DURATION_S)] + (["-R"] if direction is Direction.DOWNLOAD else [])
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        return float(json.loads(done.stdout)["end"]["sum_received"]["bits_per_second"]) / 1e6
    finally:
        server.kill()
        server.wait()


async def engine_mbps(name: str, server: ServerProcess, direction: Direction) -> float:
    """Return the figure of record of one transfer."""
    async with ServerApi(parse_server_address(server.url).base_url, server.token) as api:
        engine: Engine = Iperf3Engine(api, "benchmark") if name == "iperf3" else HttpEngine(api, "benchmark")
        spec = TransferSpec(direction, STREAMS, WARM_UP_S, DURATION_S)
        result = await engine.transfer(spec, KeepingWatch(), asyncio.Event())
        if result.throughput_mbps is None:
            raise SystemExit(f"{name} {direction}: {result.failure}")
        return result.throughput_mbps


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    os.sched_setaffinity(0, {1})
    seen: dict[tuple[str, Direction], list[float]] = {(name, way): [] for name in SUBJECTS for way in Direction}
    with tempfile.TemporaryDirectory() as folder, server_process(Path(folder), command_prefix=ON_CORE_0) as server:
        for turn in range(rounds):
            for direction in Direction:
                for name in SUBJECTS if turn % 2 == 0 else reversed(SUBJECTS):
                    if name == "program":
                        rate_mbps = program_mbps(direction)
                    else:
                        rate_mbps = asyncio.run(engine_mbps(name, server, direction))
                    seen[name, direction].append(rate_mbps)
                    print(f"{direction:9} {name:8} {rate_mbps:10,.0f} Mbit/s", file=sys.stderr)
    for direction in Direction:
        for above, below, aim in (("iperf3", "program", 0.97), ("http", "iperf3", 0.35)):
            ratios = [a / b for a, b in zip(seen[above, direction], seen[below, direction], strict=True)]
            print(
                f"{direction:9} {above} over {below}: median {statistics.median(ratios):.3f}, "
                f"{min(ratios):.3f} to {max(ratios):.3f} in {rounds} rounds   (aim >= {aim})"
            )


if __name__ == "__main__":
    main()
