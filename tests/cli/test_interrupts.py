"""Ctrl-C: once asks, twice stops, three times is not caught; the system's own handlers come back afterwards."""

import asyncio
import os
import signal

import pytest

from sitetest.cli.interrupts import FIRST, SECOND, Interrupts, on_interrupt


async def test_the_first_asks_the_second_cancels() -> None:
    said: list[str] = []
    stop = asyncio.Event()
    run = asyncio.create_task(asyncio.Event().wait())
    interrupts = Interrupts(stop, run, said.append)
    with on_interrupt(interrupts.press):
        os.kill(os.getpid(), signal.SIGINT)
        await asyncio.wait_for(stop.wait(), 5)
        assert said == [FIRST]
        assert not run.done()
        os.kill(os.getpid(), signal.SIGINT)
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(run, 5)
        assert said == [FIRST, SECOND]
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)


async def test_a_polite_request_to_end_is_the_same_as_ctrl_c() -> None:
    pressed = asyncio.Event()
    with on_interrupt(pressed.set):
        os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.wait_for(pressed.wait(), 5)


async def test_handlers_are_put_back() -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with on_interrupt(lambda: None):
        assert signal.getsignal(signal.SIGINT) != before[0]
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before
