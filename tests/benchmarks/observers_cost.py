"""Prints what the observers cost: throughput with all of them on over off, and this program's own processor time.

    python tests/benchmarks/observers_cost.py [ROUNDS]      (as root: it makes network namespaces)

A token bucket of 940 Mbit/s between two namespaces, http engine, download and upload, on and off in turns whose order
changes from round to round; the ratio is the median over rounds. On bare loopback the same transfer varies by half
from one time to the next, far more than observers could matter. The processor time is measured without any transfer,
so that nothing of the engine is in it: all observers beside an idle path for ten seconds. Aims: ratio >= 0.99; <= 3 %
of a core.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from http_transfers import KeepingWatch
from lab_network import LAPTOP, LabNetwork
from lab_server import lab_server
from server_process import ServerProcess

from sitetest.engines.base import TransferSpec
from sitetest.engines.http import HttpEngine
from sitetest.engines.server_api import ServerApi
from sitetest.observe.beside import SystemObservers
from sitetest.observe.responsiveness import TinyObject
from sitetest.visit.diagnosis import Route
from sitetest_wire.words import Direction

RATE_MBPS = 940.0
ALONE_S = 10.0


async def transfer_mbps(api: ServerApi, spec: TransferSpec, observers: SystemObservers | None, route: Route) -> float:
    """Return the goodput of one transfer, with observers or without."""
    watch = KeepingWatch()
    beside = None
    if observers is not None:
        beside = await observers.beside(spec, route, "lan")
        watch = KeepingWatch(on_sample=beside.loaded, before=beside.idle_before, after=beside.idle_after)
    result = await HttpEngine(api, "benchmark").transfer(spec, watch, asyncio.Event())
    if beside is not None:
        await beside.finish()
    if result.throughput_mbps is None:
        raise SystemExit(f"the transfer failed: {result.failure}")
    return result.throughput_mbps


async def alone_pct(api: ServerApi, observers: SystemObservers, route: Route) -> float:
    """Return the processor time of the observers alone, in per cent of a core."""
    spec = TransferSpec(Direction.DOWNLOAD, 5, 1, ALONE_S)
    spent: list[float] = []

    async def hold(_: object) -> None:
        beside = await observers.beside(spec, route, "lan")
        await beside.idle_before(watch.reflector)
        began_s, used_s = time.monotonic(), time.process_time()
        await asyncio.sleep(ALONE_S)
        spent.append(100 * (time.process_time() - used_s) / (time.monotonic() - began_s))
        await beside.idle_after()
        await beside.finish()

    watch = KeepingWatch(before=hold)
    await HttpEngine(api, "benchmark").transfer(TransferSpec(Direction.DOWNLOAD, 1, 0, 0.2), watch, asyncio.Event())
    return spent[0]


async def measure(server: ServerProcess, rounds: int, route: Route) -> None:
    """Print one line a direction, and one for the processor."""
    async with ServerApi(server.url, server.token) as api:
        tiny = TinyObject(api.host, api.port, "/v1/identity", None)
        observers = SystemObservers(tiny_objects={"lan": tiny})
        for direction in Direction:
            spec = TransferSpec(direction, 5, 0.5, 3)
            ratios = []
            for number in range(rounds):
                figures = {}
                for on in (True, False) if number % 2 else (False, True):
                    figures[on] = await transfer_mbps(api, spec, observers if on else None, route)
                ratios.append(figures[True] / figures[False])
            print(f"{direction:9} on over off: median {statistics.median(ratios):.3f}, "
                  f"{min(ratios):.3f} to {max(ratios):.3f} in {rounds} rounds   (aim >= 0.99)")  # fmt: skip
        print(f"observers alone: {await alone_pct(api, observers, route):.1f} % of a core   (aim <= 3 %)")
        await observers.close()


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    with tempfile.TemporaryDirectory() as folder, LabNetwork() as lab:
        lab.set_rate(RATE_MBPS)
        route = Route("to-server", lab.address(LAPTOP))
        with lab_server(lab, Path(folder)) as server:
            lab.run_in(LAPTOP, lambda: measure(server, rounds, route), timeout_s=3600)


if __name__ == "__main__":
    main()
