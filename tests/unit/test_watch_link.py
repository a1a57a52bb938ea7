"""The link between two samples, and the loop that takes them: on a clock of the test's own."""

import asyncio
import logging
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, cast

import pytest
from seen_links import seen_link

from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample
from sitetest.observe.watch.link_changes import LinkChanges
from sitetest.observe.watch.link_watch import ROUTE_EVERY_S, LinkWatch
from sitetest.observe.watch.seen import Move, Roam

HIDDEN = {"bssid": None, "why": {**seen_link().why, "bssid": Reason.NEEDS_LOCATION_PERMISSION}}
AWAY = {"associated": False}


def changes(*samples: dict[str, Any]) -> list[Roam | Move]:
    see = LinkChanges()
    found = [see.see(seen_link(at_s=float(at_s), end_s=at_s + 0.01, **sample)) for at_s, sample in enumerate(samples)]
    return [one for one in found if one is not None]


@pytest.mark.parametrize(
    ("samples", "expected"),
    [
        ([{"bssid": "a"}, {"bssid": "a"}], []),
        ([{"bssid": "a"}, {"bssid": "b"}, {"bssid": "b"}], [Roam(1.0, "a", "b")]),
        ([{"bssid": "a"}, AWAY, AWAY, {"bssid": "b"}], [Roam(3.0, "a", "b")]),
        ([{"bssid": "a"}, AWAY, {"bssid": "a"}], []),
        ([{"bssid": "a", "channel": 36}, {"bssid": "b", "channel": 100}], [Roam(1.0, "a", "b")]),
        ([{"channel": 36}, {"channel": 100}], [Move(1.0, 36, 80, 100, 80)]),
        ([{"width_mhz": 80}, {"width_mhz": 40}], [Move(1.0, 36, 80, 36, 40)]),
        # hidden names: a channel within one association is a move, with another association a roam
        ([HIDDEN, HIDDEN | {"channel": 100}], [Move(1.0, 36, 80, 100, 80)]),
        (
            [HIDDEN | {"associated_at_s": 10.0}, HIDDEN | {"associated_at_s": 99.0, "channel": 100}],
            [Roam(1.0, None, None)],
        ),
        ([HIDDEN | {"associated_at_s": 10.0}, HIDDEN | {"associated_at_s": 99.0}], []),
        ([HIDDEN, {"bssid": "a"}], []),
    ],
)
def test_what_two_samples_show(samples: list[dict[str, Any]], expected: list[Roam | Move]) -> None:
    assert changes(*samples) == expected


class Reader:
    """Plays one sample a call; the last again and again. play: a sample's changes, or what to do instead."""

    name = "played"

    def __init__(self, *play: dict[str, Any] | Callable[[], None]) -> None:
        self.play = list(play) or [{}]
        self.asked: list[str] = []
        self.threads: set[str] = set()
        self.closed = False

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        self.asked.append(interface)
        self.threads.add(threading.current_thread().name)
        now = self.play[min(len(self.asked), len(self.play)) - 1]
        if callable(now):
            now()
            now = {}
        return seen_link(**now)

    def close(self) -> None:
        self.closed = True


@dataclass(frozen=True)
class TheWay:
    interface: str | None


class Enough(Exception):
    """The play is over."""


async def watched(
    reader: Reader, *, seconds: float = 6.0, way: Callable[[], Awaitable[TheWay | None]] | None = None
) -> tuple[list[float], list[LinkSample], list[Roam | Move]]:
    """Return when the watch woke, and what it gave, in so many seconds of a clock that jumps from wait to wait."""
    now_s = 0.0
    woke: list[float] = []
    samples: list[LinkSample] = []
    found: list[Roam | Move] = []

    async def sleep(seconds_s: float) -> None:
        nonlocal now_s
        await asyncio.sleep(0)  # the way's answer comes in between
        now_s = round(now_s + seconds_s, 9)
        if now_s > seconds:
            raise Enough
        woke.append(now_s)

    async def by_wifi() -> TheWay | None:
        return TheWay("wlan0")

    watch = LinkWatch(
        lambda: cast(LinkReader, reader),
        way or by_wifi,
        on_sample=samples.append,
        on_change=found.append,
        clock=lambda: now_s,
        sleep=sleep,
    )
    with suppress(Enough):
        await watch.run()
    return woke, samples, found


async def test_one_sample_in_the_middle_of_every_second() -> None:
    reader = Reader()
    woke, samples, found = await watched(reader)
    assert woke == [0.5, 1.5, 2.5, 3.5, 4.5, 5.5]
    assert len(samples) == len(woke) - 1, "at the first the way is not known yet"
    assert reader.threads == {"watch-link-reader"}, "a reader is not to be shared between threads"
    assert found == []


async def test_changes_are_told() -> None:
    _, _, found = await watched(Reader({"bssid": "a"}, {"bssid": "b"}, {"bssid": "b", "channel": 100}))
    assert [type(one) for one in found] == [Roam, Move]


async def test_the_reader_is_given_up_at_the_end() -> None:
    reader = Reader()
    await watched(reader)
    async with asyncio.timeout(5):
        while not reader.closed:  # noqa: ASYNC110  closed in the reader's own thread
            await asyncio.sleep(0.001)


@pytest.mark.parametrize("sample", [{"cost_ms": 60.0}, {"associated": None, "why": {"associated": Reason.NOT_WIFI}}])
async def test_an_expensive_reader_and_a_cable_are_read_less_often(sample: dict[str, Any]) -> None:
    played = {**sample, "why": {**seen_link().why, **sample.get("why", {})}}
    reader = Reader(played)
    woke, _, _ = await watched(reader, seconds=30)
    assert [round(b - a, 6) for a, b in pairwise(woke)][-4:] == [5.0] * 4


async def test_a_fault_of_a_reader_is_said_once_and_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    def broken() -> None:
        raise ValueError("from the driver")

    with caplog.at_level(logging.ERROR):
        woke, samples, _ = await watched(Reader(broken, broken, broken, {}))
    assert len(caplog.records) == 1
    assert (len(woke), len(samples)) == (6, 2)


async def test_the_way_is_asked_now_and_then_and_another_interface_is_no_roam() -> None:
    asked: list[int] = []

    async def way() -> TheWay | None:
        asked.append(1)
        return [TheWay("wlan0"), None, TheWay("eth0"), TheWay("eth0")][min(len(asked), 4) - 1]

    reader = Reader(*[{"bssid": "a"}] * 60, {"bssid": "b"})
    _, _, found = await watched(reader, seconds=3 * ROUTE_EVERY_S, way=way)
    assert len(asked) == 3
    assert set(reader.asked[:59]) == {"wlan0"}, "no way for a while leaves the last one"
    assert set(reader.asked[61:]) == {"eth0"}
    assert found == []


async def test_a_way_that_cannot_be_told_costs_nothing_but_the_link(caplog: pytest.LogCaptureFixture) -> None:
    async def hangs() -> TheWay | None:
        await asyncio.Event().wait()
        return None

    reader = Reader()
    woke, samples, _ = await watched(reader, way=hangs)
    assert (len(woke), samples, reader.asked) == (6, [], [])
    assert caplog.records == []
