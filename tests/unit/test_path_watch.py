"""The whole watch over loopback, in real time: a reflector falls silent, a server moves, a watch is stopped.

Four watches run side by side, so that the time is spent once.
"""

import asyncio
import json
import os
import signal
import sys
import time
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from sitetest.engines.base import Reflector as Where
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.watch.path_watch import PathWatch
from sitetest.observe.watch.seen import Away, Back, Blind, Seen, Sleep, WatchSecond
from sitetest_server.reflector import Reflector

OLD, NEW = bytes(16), bytes(range(16))
ALWAYS = float("inf")


class Passes:
    """where: what the next renewal gets."""

    def __init__(self, where: Where) -> None:
        self.where = where
        self.given_back = 0

    async def renew(self) -> Where:
        return self.where

    async def give_back(self) -> None:
        self.given_back += 1


async def no_way() -> None:
    return None


@dataclass
class Night:
    """What one watch told, with the time at which it did; gaps: begin and end of what was done to it."""

    told: list[tuple[float, Seen]] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)
    up: list[bool | None] = field(default_factory=list)
    passes: Passes | None = None
    ended_within_s: float = 0.0

    def of(self, kind: type) -> list[Seen]:
        return [one for _, one in self.told if isinstance(one, kind)]

    @property
    def backs(self) -> list[Back]:
        return [one for _, one in self.told if isinstance(one, Back)]


def watch(passes: Passes) -> PathWatch:
    return PathWatch(passes, no_way, reader=lambda: NoReader(Reason.READER_UNAVAILABLE))


async def begun(night: Night, where: Where) -> tuple[PathWatch, "asyncio.Task[None]"]:
    night.passes = Passes(where)
    path = watch(night.passes)
    task = asyncio.create_task(path.run(lambda fact: night.told.append((time.monotonic(), fact))))
    async with asyncio.timeout(10):
        while path.up is None:  # noqa: ASYNC110  the first answer sets no event
            await asyncio.sleep(0.01)
    return path, task


async def ended(night: Night, task: "asyncio.Task[None]") -> None:
    began_s = time.monotonic()
    task.cancel()
    await asyncio.wait({task})
    assert task.cancelled()
    night.ended_within_s = time.monotonic() - began_s


async def silences() -> Night:
    """Silent for 1 s and for 3 s: the reflector does not know the token in between."""
    night = Night()
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(OLD, until_s=ALWAYS)
    path, task = await begun(night, Where("127.0.0.1", reflector.port, OLD))
    for length_s in (1.0, 3.0):
        await asyncio.sleep(0.5)
        began_s = time.monotonic()
        reflector.revoke(OLD)
        await asyncio.sleep(length_s)
        night.up.append(path.up)
        reflector.admit(OLD, until_s=ALWAYS)
        night.gaps.append((began_s, time.monotonic()))
    await asyncio.sleep(2.5)
    night.up.append(path.up)
    await ended(night, task)
    reflector.close()
    return night


async def restart() -> Night:
    """The server comes back after a second, at another port and with another pass."""
    night = Night()
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(OLD, until_s=ALWAYS)
    _, task = await begun(night, Where("127.0.0.1", reflector.port, OLD))
    await asyncio.sleep(0.5)
    began_s = time.monotonic()
    reflector.close()
    await asyncio.sleep(1.0)
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(NEW, until_s=ALWAYS)
    assert night.passes is not None
    night.passes.where = Where("127.0.0.1", reflector.port, NEW)
    night.gaps.append((began_s, time.monotonic()))
    await asyncio.sleep(5.0)
    await ended(night, task)
    reflector.close()
    return night


async def forgotten() -> Night:
    """The server was restarted so quickly that only the old pass shows it: its reflector is there, and silent."""
    night = Night()
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(OLD, until_s=ALWAYS)
    _, task = await begun(night, Where("127.0.0.1", reflector.port, OLD))
    await asyncio.sleep(0.5)
    reflector.revoke(OLD)
    reflector.admit(NEW, until_s=ALWAYS)
    assert night.passes is not None
    await asyncio.sleep(1.2)  # a renewal of the usual pace, soon after the first, is not what is tried here
    night.passes.where = Where("127.0.0.1", reflector.port, NEW)
    await asyncio.sleep(5.0)
    await ended(night, task)
    reflector.close()
    return night


CHILD = """
import asyncio, json, sys
from test_path_watch import Passes, OLD, Where, watch

def tell(fact):
    print(json.dumps([type(fact).__name__, getattr(fact, "length_s", None), getattr(fact, "stall", None)]), flush=True)

asyncio.run(watch(Passes(Where("127.0.0.1", int(sys.argv[1]), OLD))).run(tell))
"""


async def stopped() -> list[tuple[str, float | None, bool | None]]:
    """A watch in a process of its own, that is stopped for 3 s. Returns kind, length and stall of what it told."""
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(OLD, until_s=ALWAYS)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])}
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-c", CHILD, str(reflector.port), stdout=asyncio.subprocess.PIPE, env=environment
    )
    assert child.stdout is not None
    told: list[tuple[str, float | None, bool | None]] = []
    try:
        async with asyncio.timeout(30):
            told.append(tuple(json.loads(await child.stdout.readline())))
            child.send_signal(signal.SIGSTOP)
            await asyncio.sleep(3.0)
            child.send_signal(signal.SIGCONT)
            while [kind for kind, *_ in told].count("WatchSecond") < 4:
                told.append(tuple(json.loads(await child.stdout.readline())))
    finally:
        child.kill()
        await child.wait()
        reflector.close()
    return told


Nights = tuple[Night, Night, Night, list[tuple[str, float | None, bool | None]]]


@pytest.fixture(scope="module")
def nights() -> Nights:
    async def all_of_them() -> Nights:
        return await asyncio.gather(silences(), restart(), forgotten(), stopped())

    return asyncio.run(all_of_them())


def test_each_silence_is_found_with_its_length(nights: Nights) -> None:
    night = nights[0]
    for back, (began_s, ended_s) in zip(night.backs, night.gaps, strict=True):
        assert back.length_s == pytest.approx(ended_s - began_s, abs=0.2)
        assert back.began_s == pytest.approx(began_s, abs=0.2)
        assert back.began_unix_s == pytest.approx(time.time() - time.monotonic() + began_s, abs=0.3)
    assert [back.was_told for back in night.backs] == [False, True], "the short one is known when it is over"


def test_the_long_one_is_noticed_within_two_seconds_and_shown_at_once_when_it_is_over(nights: Nights) -> None:
    night = nights[0]
    [(told_s, away)] = [(at_s, one) for at_s, one in night.told if isinstance(one, Away)]
    assert away.began_s == pytest.approx(night.gaps[1][0], abs=0.2)
    assert told_s - night.gaps[1][0] < 2.0
    assert night.up == [True, False, True]


def test_every_second_is_told_once_and_in_order(nights: Nights) -> None:
    seconds = [one for one in nights[0].of(WatchSecond) if isinstance(one, WatchSecond)]
    assert len(seconds) >= 6
    for one, following in pairwise(seconds):
        assert following.start_s == pytest.approx(one.start_s + one.length_s, abs=1e-6)
    assert any(second.answered == 0 and second.probes > 5 for second in seconds)


def test_the_pass_is_given_back_and_the_end_is_quick(nights: Nights) -> None:
    night = nights[0]
    assert night.passes is not None
    assert night.passes.given_back == 1
    assert night.ended_within_s < 1.0


def test_a_server_that_comes_back_elsewhere_is_found_by_its_new_pass(nights: Nights) -> None:
    """The port was closed, so the kernel refused. The end is as uncertain as it took to ask for another pass: nothing
    was asked in vain here, so the whole of it."""
    night = nights[1]
    [back] = night.backs
    began_s, ended_s = night.gaps[0]
    assert back.began_s == pytest.approx(began_s, abs=0.2)
    assert back.refused is True
    assert ended_s - began_s - 0.2 < back.length_s
    assert back.length_s - back.unsure_s - 0.2 < ended_s - began_s < back.length_s + 0.2
    assert night.of(Blind) == []


def test_a_pass_that_the_server_forgot_is_got_anew_within_some_seconds(nights: Nights) -> None:
    """Silence is noticed after 1.5 s, and a renewal is at most as long again away."""
    [back] = nights[2].backs
    assert 1.2 < back.length_s < 4.0
    assert back.unsure_s == pytest.approx(back.length_s), "nothing shows that anything was away at all"


def test_a_stopped_process_tells_a_stall_and_no_outage(nights: Nights) -> None:
    told = nights[3]
    [(length_s, stall)] = [(length_s, stall) for kind, length_s, stall in told if kind == Sleep.__name__]
    assert length_s == pytest.approx(3.0, abs=0.5)
    assert stall is True
    assert not {kind for kind, *_ in told} & {Away.__name__, Back.__name__, Blind.__name__}
