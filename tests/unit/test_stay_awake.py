"""Sleep held off. Linux with the real programs of this machine where it has them; macOS and Windows were not run: their
calls are checked with stand-ins, against what the systems' own documents say of them (from memory)."""

import asyncio
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from sitetest.cli.stay_awake import ES_CONTINUOUS, ES_SYSTEM_REQUIRED, INHIBIT, StayAwake, start_program

STAND_IN = """#!/bin/sh
# Stands for systemd-inhibit: takes its options as that does, notes them, and runs the rest.
for word; do case $word in --*) echo "$word" >>"$0.options"; shift ;; esac; done
"$@"
echo "its command has ended" >>"$0.options"
"""
REFUSING = """#!/bin/sh
echo 'Failed to inhibit: Access denied' >&2
exit 1
"""


@pytest.fixture
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in front of all others on PATH."""
    folder = tmp_path / "programs"
    folder.mkdir()
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    return folder


def program(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text)
    (folder / name).chmod(0o755)


def said_by(*argv: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(argv, capture_output=True, text=True, check=False)


class Started:
    """Starts something else than what was asked for, and remembers what was asked for."""

    def __init__(self, *instead: str) -> None:
        self.instead = instead
        self.argv: list[tuple[str, ...]] = []
        self.processes: list[asyncio.subprocess.Process] = []

    async def __call__(self, argv: Sequence[str]) -> asyncio.subprocess.Process:
        self.argv.append(tuple(argv))
        self.processes.append(await start_program(self.instead))
        return self.processes[-1]


@pytest.mark.skipif(shutil.which("systemd-inhibit") is None, reason="this machine has no systemd-inhibit")
async def test_it_holds_exactly_where_the_systems_own_program_may() -> None:
    """Held against systemd-inhibit run by itself around a command that ends at once."""
    alone = await asyncio.to_thread(said_by, *INHIBIT[:-1], "true")
    async with StayAwake(platform="linux") as awake:
        listed = await asyncio.to_thread(said_by, "systemd-inhibit", "--list")
        assert awake.held == (alone.returncode == 0)
        if awake.held:
            assert "sitetest" in listed.stdout
        else:
            assert alone.stderr.strip().rstrip(".") in awake.why
            assert "in its settings" in awake.why  # what to do by hand


async def test_the_lock_is_believed_once_the_child_inside_it_speaks_and_goes_at_the_end(programs: Path) -> None:
    program(programs, "systemd-inhibit", STAND_IN)
    async with StayAwake(platform="linux") as awake:
        assert awake.held
        assert "inhibitor lock" in awake.why
        assert "lid" in awake.why
        options = (programs / "systemd-inhibit.options").read_text().splitlines()
        assert {"--what=sleep:idle", "--mode=block", "--who=sitetest"} <= set(options)
        assert "its command has ended" not in options
    assert not awake.held
    assert (
        "its command has ended" in (programs / "systemd-inhibit.options").read_text()
    )  # by itself: nothing was killed


async def test_what_the_system_says_when_it_refuses_is_in_the_sentence(programs: Path) -> None:
    program(programs, "systemd-inhibit", REFUSING)
    async with StayAwake(platform="linux") as awake:
        assert not awake.held
        assert "Access denied" in awake.why
        assert "mains" in awake.why  # what to do by hand


async def test_a_program_that_ends_without_a_word_is_no_lock(programs: Path) -> None:
    program(programs, "systemd-inhibit", "#!/bin/sh\nexit 7\n")
    async with StayAwake(platform="linux") as awake:
        assert not awake.held
        assert "exit code 7" in awake.why


async def test_a_system_without_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    async with StayAwake(platform="linux") as awake:
        assert not awake.held
        assert "no systemd-inhibit" in awake.why
    async with StayAwake(platform="sunos5") as awake:
        assert not awake.held
        assert "sunos5" in awake.why


async def test_a_lock_that_is_lost_before_its_time_is_told_once() -> None:
    told: list[str] = []
    heard = asyncio.Event()

    def hear(why: str) -> None:
        told.append(why)
        heard.set()

    start = Started("sh", "-c", "cat; true")  # its child lives on and holds the pipes, as that of systemd-inhibit does
    async with StayAwake(platform="linux", start=start, lost=hear, look_every_s=0.001) as awake:
        assert awake.held
        start.processes[0].kill()
        await asyncio.wait_for(heard.wait(), 30)
        assert not awake.held
        assert told == [awake.why]
        assert "not held off any more" in awake.why
    assert len(told) == 1


async def test_a_lock_that_is_let_go_is_not_told_as_lost() -> None:
    told: list[str] = []
    async with StayAwake(platform="linux", start=Started("cat"), lost=told.append) as awake:
        assert awake.held
    await asyncio.sleep(0)
    assert told == []


def test_nothing_holds_on_when_the_agent_is_killed(programs: Path) -> None:
    """SIGKILL: nothing of ours runs any more; the pipe that the kernel closes is what ends the lock."""
    program(programs, "systemd-inhibit", STAND_IN)
    code = """import asyncio
from sitetest.cli.stay_awake import StayAwake
async def held():
    async with StayAwake(platform="linux") as awake:
        print(awake.held, flush=True)
        await asyncio.sleep(60)
asyncio.run(held())"""
    agent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert agent.stdout is not None
    try:
        assert agent.stdout.readline() == "True\n"
        inside = _children(_children(agent.pid)[0])
        assert len(inside) == 1
    finally:
        agent.send_signal(signal.SIGKILL)
        agent.wait()
        agent.stdout.close()
    deadline = time.monotonic() + 30
    while _lives(inside[0]) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not _lives(inside[0])


def _children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


async def test_macos_caffeinate_waits_for_our_end_and_is_ended_with_the_lock() -> None:
    start = Started("sleep", "60")
    async with StayAwake(platform="darwin", start=start, settled_s=0.01) as awake:
        assert awake.held
        assert start.argv == [("caffeinate", "-i", "-s", "-w", str(os.getpid()))]
    assert start.processes[0].returncode == -signal.SIGTERM


async def test_macos_a_caffeinate_that_ends_at_once_holds_nothing() -> None:
    start = Started("sh", "-c", "echo 'caffeinate: illegal option' >&2; exit 64")
    async with StayAwake(platform="darwin", start=start, settled_s=30.0) as awake:
        assert not awake.held
        assert "illegal option" in awake.why


class ExecutionStates:
    """Stands for SetThreadExecutionState: remembers state and thread; answers with the state before, or 0: failed."""

    def __init__(self, answer: int = ES_CONTINUOUS) -> None:
        self.answer = answer
        self.calls: list[tuple[int, str, bool]] = []

    def __call__(self, state: int) -> int:
        thread = threading.current_thread()
        self.calls.append((state, thread.name, thread.is_alive()))
        return self.answer


async def test_windows_one_living_thread_sets_the_state_and_takes_it_back() -> None:
    states = ExecutionStates()
    async with StayAwake(platform="win32", set_execution_state=states) as awake:
        assert awake.held
        assert [call[0] for call in states.calls] == [ES_CONTINUOUS | ES_SYSTEM_REQUIRED] == [0x80000001]
        assert "sleep held off" in [thread.name for thread in threading.enumerate()]
    assert [call[0] for call in states.calls] == [0x80000001, 0x80000000]
    assert len({call[1] for call in states.calls}) == 1
    assert "sleep held off" not in [thread.name for thread in threading.enumerate()]


async def test_windows_a_state_that_is_not_taken_is_said() -> None:
    async with StayAwake(platform="win32", set_execution_state=ExecutionStates(answer=0)) as awake:
        assert not awake.held
        assert "Windows did not take" in awake.why


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has the function")
async def test_windows_functions_are_missing_elsewhere() -> None:
    async with StayAwake(platform="win32") as awake:
        assert not awake.held
