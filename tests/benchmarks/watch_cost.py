"""Prints what the watch of a soak costs the laptop: share of a core, memory and descriptors over time, on loopback.

    python tests/benchmarks/watch_cost.py [SECONDS]

The reflector runs in a process of its own and is not counted. Half of the time it answers; then it is silent for a
quarter (sockets are opened anew, the pass is asked for) and answers again. Aim: below 2 % of a core, and nothing that
grows.
"""

import asyncio
import multiprocessing
import os
import resource
import sys
import time
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sitetest.engines.base import Reflector as Where
from sitetest.observe.watch.path_watch import PathWatch
from sitetest.observe.watch.seen import Back, Seen, WatchSecond
from sitetest_server.reflector import Reflector

TOKEN = bytes(16)


class Passes:
    def __init__(self, port: int) -> None:
        self._where = Where("127.0.0.1", port, TOKEN)

    async def renew(self) -> Where:
        return self._where

    async def give_back(self) -> None:
        return None


class Loopback:
    interface = "lo"


async def way() -> Loopback:
    return Loopback()


def reflect(told: Connection) -> None:
    """Answer; silent and back again on every word."""

    async def run() -> None:
        reflector = await Reflector.open("127.0.0.1")
        reflector.admit(TOKEN, until_s=float("inf"))
        told.send(reflector.port)
        while True:
            word = await asyncio.to_thread(told.recv)
            if word == "silent":
                reflector.revoke(TOKEN)
            elif word == "answer":
                reflector.admit(TOKEN, until_s=float("inf"))
            else:
                return

    asyncio.run(run())


def memory_kib() -> int:
    """Resident now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() // 1024


async def watch(port: int, told: Connection, seconds: float) -> None:
    seen: list[Seen] = []
    kinds: dict[str, int] = {}

    def tell(fact: Seen) -> None:
        kinds[type(fact).__name__] = kinds.get(type(fact).__name__, 0) + 1
        if not isinstance(fact, WatchSecond):
            seen.append(fact)

    task = asyncio.create_task(PathWatch(Passes(port), way).run(tell))
    await asyncio.sleep(3)
    print("     s   core %   resident KiB   descriptors")
    for quarter in range(4):
        if quarter == 2:
            told.send("silent")
        if quarter == 3:
            told.send("answer")
        began_s, used_s = time.monotonic(), time.process_time()
        await asyncio.sleep(seconds / 4)
        share = (time.process_time() - used_s) / (time.monotonic() - began_s)
        print(
            f"{(quarter + 1) * seconds / 4:6.0f} {100 * share:8.2f} {memory_kib():14d} "
            f"{len(os.listdir('/proc/self/fd')):13d}"  # noqa: PTH208
        )
    await asyncio.sleep(2.5)
    task.cancel()
    await asyncio.wait({task})
    print(kinds)
    for fact in seen:
        print(fact)
    assert any(isinstance(fact, Back) for fact in seen), "the silence was not found"


def main() -> None:
    """Run it."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    here, there = multiprocessing.Pipe()
    far_end = multiprocessing.get_context("spawn").Process(target=reflect, args=(there,))
    far_end.start()
    asyncio.run(watch(here.recv(), here, seconds))
    here.send("end")
    far_end.join(5)


if __name__ == "__main__":
    main()
