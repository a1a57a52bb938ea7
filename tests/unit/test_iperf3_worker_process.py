"""A worker that misbehaves is told apart, ended and reaped; nothing it does can block or end the supervisor."""

import asyncio
import contextlib
import os
import select
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from sitetest_wire.worker_process import WorkerEnd, WorkerGarbled, WorkerLate, WorkerProcess, WorkerSilent

Starter = Callable[..., AbstractAsyncContextManager[WorkerProcess]]


@pytest.fixture
def started(tmp_path: Path) -> Starter:
    """Start a worker from its source text; it is closed after the block."""

    @asynccontextmanager
    async def start(body: str, **arguments: Any) -> AsyncIterator[WorkerProcess]:
        program = tmp_path / "worker.py"
        program.write_text(
            "import ctypes, os, signal, sys, threading, time\n"
            "from sitetest_wire.supervised_worker import CapturedStdout, begin, leave\n"
            "events, asked = begin()\n" + body
        )
        worker = await WorkerProcess.start((str(program),), arguments)
        try:
            yield worker
        finally:
            await worker.close()

    return start


async def _all(worker: WorkerProcess, limit_s: float = 20.0, silence_s: float = 10.0) -> list[dict[str, Any]]:
    deadline_s = asyncio.get_running_loop().time() + limit_s
    told = []
    while (event := await worker.next_event(deadline_s=deadline_s, silence_limit_s=silence_s)) is not None:
        told.append(event)
    return told


async def test_events_and_arguments_come_through(started: Starter) -> None:
    """What is asked arrives, what is told arrives, in order, with the worker's clock."""
    async with started("events.tell('one', n=asked['n'] + 1)\nevents.tell('two')\nleave()", n=41) as worker:
        told = await _all(worker)
        assert [(event["event"], event.get("n")) for event in told] == [("one", 42), ("two", None)]
        assert told[0]["at_s"] <= told[1]["at_s"]
        assert await worker.end() == WorkerEnd(0, "", killed=False)


async def test_a_worker_that_floods_stderr_is_not_blocked(started: Starter) -> None:
    """Far more than a pipe holds (64 KiB); the end of it is kept."""
    body = (
        "for _ in range(300): os.write(2, b'x' * 10_000)\n"
        "os.write(2, b'\\nlast words\\n')\n"
        "events.tell('done')\nleave()"
    )
    async with started(body) as worker:
        assert [event["event"] for event in await _all(worker)] == ["done"]
        end = await worker.end()
    assert len(end.last_words) <= 8192
    assert end.how == "it ended by itself with exit status 0; it last said: last words"


async def test_a_worker_that_floods_stdout_is_not_blocked_and_read_whole(started: Starter) -> None:
    """What a C library prints through its own buffers ends up in a file, and comes back in pieces."""
    body = (
        "out = CapturedStdout()\nlibc = ctypes.CDLL(None)\n"
        "for n in range(2000): libc.printf(b'%0200d', ctypes.c_int(n))\n"
        "events.tell_raw(out.text())\nleave()"
    )
    async with started(body) as worker:
        text = "".join(event["text"] for event in await _all(worker))
    assert len(text) == 400_000
    assert text.endswith("1999")


async def test_a_worker_that_dies_by_signal(started: Starter) -> None:
    """A crash of the library is told with its signal."""
    async with started("os.kill(os.getpid(), signal.SIGSEGV)") as worker:
        assert await _all(worker) == []
        end = await worker.close()
    assert (end.exit_status, end.killed) == (-signal.SIGSEGV, False)
    assert "signal 11 (SIGSEGV)" in end.how


async def test_a_worker_that_exits_0_silently(started: Starter) -> None:
    """A library that calls exit() leaves a clean status and no result."""
    async with started("ctypes.CDLL(None).exit(0)") as worker:
        assert await _all(worker) == []
        end = await worker.close()
    assert (end.exit_status, end.killed) == (0, False)


async def test_a_worker_that_hangs_is_silent_and_is_killed(started: Starter) -> None:
    """It is told after the limit, and ends although it ignores every signal that can be ignored."""
    body = "signal.signal(signal.SIGTERM, signal.SIG_IGN)\nevents.tell('up')\ntime.sleep(60)"
    async with started(body) as worker:
        deadline_s = asyncio.get_running_loop().time() + 20
        assert await worker.next_event(deadline_s=deadline_s, silence_limit_s=10)
        with pytest.raises(WorkerSilent, match=r"0\.05 s"):
            await worker.next_event(deadline_s=deadline_s, silence_limit_s=0.05)
        worker.kill()
        end = await worker.end()
    assert (end.exit_status, end.killed) == (-signal.SIGKILL, True)


async def test_a_worker_that_talks_for_ever_is_late(started: Starter) -> None:
    """Signs of life do not put the deadline off."""
    async with started("while True: events.tell('alive')") as worker:
        with pytest.raises(WorkerLate):
            await _all(worker, limit_s=0.3)


@pytest.mark.parametrize("told", ["not json\\n", "[1]\\n", "{}\\n", "x" * (2 << 20)])
async def test_a_worker_that_tells_nonsense(started: Starter, told: str) -> None:
    """Nonsense, the wrong shape, and a line without end."""
    async with started(f"fd = int(sys.argv[1])\nos.write(fd, b'{told}')\ntime.sleep(60)") as worker:
        with pytest.raises(WorkerGarbled):
            await _all(worker)


async def test_half_a_line_at_the_end_is_no_event(started: Starter) -> None:
    """A worker that dies while it tells something has not told it."""
    async with started('os.write(int(sys.argv[1]), b\'{"event": "res\')\nos._exit(0)') as worker:
        assert await _all(worker) == []


async def test_what_a_worker_started_ends_with_it(started: Starter) -> None:
    """The whole process group is ended; nothing keeps the pipes open."""
    body = (
        "import subprocess\nchild = subprocess.Popen(['sleep', '60'])\n"
        "events.tell('child', pid=child.pid)\ntime.sleep(60)"
    )
    async with started(body) as worker:
        event = await worker.next_event(deadline_s=asyncio.get_running_loop().time() + 20, silence_limit_s=10)
        assert event is not None
        watched = os.pidfd_open(event["pid"]) if sys.platform == "linux" else None
        await worker.close()
    if watched is not None:
        assert select.select([watched], [], [], 5)[0], "the worker's child is still there"
        os.close(watched)


async def test_a_cancelled_close_still_leaves_nothing(started: Starter) -> None:
    """Whoever cancels gets the cancellation, after the worker is gone."""
    async with started("events.tell('up')\ntime.sleep(60)") as worker:
        closing = asyncio.create_task(worker.close())
        await asyncio.sleep(0)
        closing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await closing
        with pytest.raises(ProcessLookupError):
            os.kill(worker.pid, 0)


def _open_descriptors() -> int:
    return len(list(Path("/proc/self/fd" if sys.platform == "linux" else "/dev/fd").iterdir()))


async def test_descriptors_are_given_back(started: Starter) -> None:
    """Four workers later this process has as many open descriptors as before."""
    counts = []
    for _ in range(4):
        async with started("leave()") as worker:
            await _all(worker)
        counts.append(_open_descriptors())
    assert counts[1:] == counts[:-1]


@pytest.mark.skipif(sys.platform != "linux", reason="dying with the parent is Linux (prctl)")
def test_a_worker_dies_with_its_supervisor(tmp_path: Path) -> None:
    """SIGKILL of the supervisor leaves no worker measuring for nobody."""
    worker = tmp_path / "worker.py"
    worker.write_text(
        "from sitetest_wire.supervised_worker import begin\nimport time\nbegin()[0].tell('up')\ntime.sleep(60)\n"
    )
    supervisor = tmp_path / "supervisor.py"
    supervisor.write_text(
        "import asyncio, sys\nfrom sitetest_wire.worker_process import WorkerProcess\n"
        "async def main():\n"
        f"    worker = await WorkerProcess.start(({str(worker)!r},), {{}})\n"
        "    await worker.next_event(deadline_s=asyncio.get_running_loop().time() + 20, silence_limit_s=20)\n"
        "    print(worker.pid, flush=True)\n"
        "    await asyncio.sleep(60)\n"
        "asyncio.run(main())\n"
    )
    with subprocess.Popen([sys.executable, str(supervisor)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        pid = int(process.stdout.readline())
        watched = os.pidfd_open(pid)
        process.kill()
    try:
        assert select.select([watched], [], [], 10)[0], "the worker outlived its supervisor"
    finally:
        os.close(watched)
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


async def test_ctrl_c_is_left_to_the_supervisor(started: Starter) -> None:
    """An interrupt from the keyboard does not tear a measurement apart from below."""
    body = "os.kill(os.getpid(), signal.SIGINT)\nevents.tell('survived', session=os.getsid(0))\nleave()"
    async with started(body) as worker:
        (event,) = await _all(worker)
        assert event["event"] == "survived"
        assert event["session"] == worker.pid != os.getsid(0)
