"""The sample log: live for whoever follows, whole for whoever comes late."""

import asyncio

from sitetest_server.sample_log import SampleLog
from sitetest_wire.messages import EndLine
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


def sample(at_s: float) -> Sample:
    return Sample(at_s, (int(at_s * 1000),), CountedAs.RECEIVED)


async def all_of(log: SampleLog) -> list[Sample | EndLine]:
    return [entry async for entry in log.follow()]


async def test_a_reader_that_comes_late_gets_everything_from_the_start() -> None:
    log = SampleLog()
    log.append(sample(0.1))
    log.append(sample(0.2))
    log.close(EndLine(problem="cut"))
    assert await all_of(log) == [sample(0.1), sample(0.2), EndLine(problem="cut")]


async def test_a_reader_gets_each_sample_as_it_comes_without_a_poll() -> None:
    log = SampleLog()
    follower = log.follow()
    waiting = asyncio.ensure_future(anext(follower))
    await asyncio.sleep(0)
    assert not waiting.done()
    log.append(sample(0.1))
    assert await waiting == sample(0.1)


async def test_two_readers_get_the_same_and_both_end() -> None:
    log = SampleLog()
    readers = [asyncio.ensure_future(all_of(log)) for _ in range(2)]
    for tick in range(5):
        log.append(sample(tick / 10))
        await asyncio.sleep(0)
    log.close(EndLine())
    first, second = await asyncio.gather(*readers)
    assert first == second == [*(sample(tick / 10) for tick in range(5)), EndLine()]


async def test_nothing_comes_after_the_end_line_and_the_first_one_counts() -> None:
    log = SampleLog()
    log.close(EndLine(problem="first"))
    log.append(sample(1.0))
    log.close(EndLine(problem="second"))
    assert await all_of(log) == [EndLine(problem="first")]
    assert log.closed
