"""Holds off the sleep of this computer while something runs unattended, where the system offers that to programs.

    Linux     an inhibitor lock of logind, held by systemd-inhibit around a child that ends when our end of a pipe
              closes. The child says its word only once the lock is taken, which is how we know.
    macOS     ``caffeinate -i -s -w PID``, which ends with the process of that PID
    Windows   SetThreadExecutionState, on a thread that lives as long as the lock

All three let go also when this process is killed. Only Linux was run; of the others the calls were tested with
stand-ins. A closed lid, an empty battery and a person who chooses "sleep" are stronger than any of them.

Never raises for what the system does. May import the standard library only.
"""

import asyncio
import contextlib
import ctypes
import os
import signal
import sys
import threading
from collections.abc import Awaitable, Callable, Sequence
from types import TracebackType
from typing import Protocol, Self

Start = Callable[[Sequence[str]], Awaitable[asyncio.subprocess.Process]]
SetExecutionState = Callable[[int], int]

ES_SYSTEM_REQUIRED = 0x00000001
ES_CONTINUOUS = 0x80000000
"""Values of winbase.h for SetThreadExecutionState, from memory."""

ANSWER_LIMIT_S = 10.0
"""How long the system may think about a lock: on Linux it may ask its policy service."""
SETTLED_S = 0.5
"""A caffeinate that still lives after this is taken to hold: it ends at once when it does not understand."""
LOOK_EVERY_S = 5.0
"""How often a lock that was taken is looked at."""
END_LIMIT_S = 2.0

INHIBIT = (
    "systemd-inhibit",
    "--what=sleep:idle",
    "--who=sitetest",
    "--why=measures unattended",
    "--mode=block",
    "cat",
)
WORD = b"held\n"

STILL = "A closed lid or an empty battery may still put it to sleep"
BY_HAND = "Switch automatic sleep off in its settings, keep it on the mains and the lid open"


class NotHeld(Exception):
    """The system did not give the lock; the message says why, as the middle of a sentence."""


class Lock(Protocol):
    """Sleep is held off as long as this one lives. by: what holds it off, as the end of a sentence."""

    by: str

    async def lost(self) -> None:
        """Return when it holds no more."""

    async def release(self) -> None:
        """Let go."""


class StayAwake:
    """Hold off sleep inside an ``async with``; ``held`` and ``why`` say whether that worked, for people.

    platform: as ``sys.platform``. start: starts a program. set_execution_state: Windows' function. lost: called once
    with a sentence when a lock that was held is gone before its time.
    """

    def __init__(
        self,
        *,
        lost: Callable[[str], None] = lambda _why: None,
        platform: str = sys.platform,
        start: Start | None = None,
        set_execution_state: SetExecutionState | None = None,
        settled_s: float = SETTLED_S,
        look_every_s: float = LOOK_EVERY_S,
    ) -> None:
        self.held = False
        self.why = ""
        self._tell_lost = lost
        self._platform = platform
        self._start = start or start_program
        self._set_execution_state = set_execution_state
        self._settled_s = settled_s
        self._look_every_s = look_every_s
        self._lock: Lock | None = None
        self._watching: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        try:
            self._lock = await self._take()
        except NotHeld as problem:
            self.why = f"Sleep of this laptop is not held off: {problem}. {BY_HAND}."
            return self
        self.held = True
        self.why = f"Sleep of this laptop is held off by {self._lock.by}. {STILL}."
        self._watching = asyncio.create_task(self._watch(self._lock), name="sleep held off")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.held = False
        if self._watching is not None:
            self._watching.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._watching
        if self._lock is not None:
            await self._lock.release()

    async def _take(self) -> Lock:
        match self._platform:
            case "linux":
                return await inhibitor_lock(self._start, self._look_every_s)
            case "darwin":
                return await caffeinate_lock(self._start, self._look_every_s, self._settled_s)
            case "win32":
                return await execution_state_lock(self._set_execution_state or windows_function())
            case _:
                raise NotHeld(f"no way to do so is known for a system called {self._platform!r}")

    async def _watch(self, lock: Lock) -> None:
        await lock.lost()
        self.held = False
        self.why = f"Sleep of this laptop is not held off any more: {lock.by} has ended. {BY_HAND}."
        self._tell_lost(self.why)


async def start_program(argv: Sequence[str]) -> asyncio.subprocess.Process:
    """Start a program out of reach of a terminal's Ctrl-C, with pipes. Raises OSError."""
    return await asyncio.create_subprocess_exec(
        *argv,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,
    )


class _ProgramLock:
    """Held as long as a program runs. It ends at the end of its input, or is asked to."""

    def __init__(
        self, process: asyncio.subprocess.Process, by: str, look_every_s: float, *, ends_with_input: bool
    ) -> None:
        self.by = by
        self._process = process
        self._look_every_s = look_every_s
        self._ends_with_input = ends_with_input

    async def lost(self) -> None:
        # wait() would also wait for the pipes, which the child of a killed systemd-inhibit still holds
        while self._process.returncode is None:  # noqa: ASYNC110 - there is no event to wait for
            await asyncio.sleep(self._look_every_s)

    async def release(self) -> None:
        if not self._ends_with_input:
            _terminate(self._process)
        await _ended(self._process)


async def inhibitor_lock(start: Start, look_every_s: float) -> Lock:
    """Take logind's lock on sleep and on what it does when idle. look_every_s: how often it is looked at. Raises
    NotHeld."""
    program = INHIBIT[0]
    process = await _started(start, INHIBIT)
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        with contextlib.suppress(ConnectionError):
            process.stdin.write(WORD)
            await process.stdin.drain()
        said = await asyncio.wait_for(process.stdout.readline(), ANSWER_LIMIT_S)
    except TimeoutError:
        _terminate(process)
        await _ended(process)
        raise NotHeld(f"{program} has not taken its lock within {ANSWER_LIMIT_S:g} s") from None
    except BaseException:
        _terminate(process)
        raise
    if said != WORD:
        raise NotHeld(_refusal(program, await _ended(process), process.returncode))
    return _ProgramLock(process, f"an inhibitor lock of the system ({program})", look_every_s, ends_with_input=True)


async def caffeinate_lock(start: Start, look_every_s: float, settled_s: float) -> Lock:
    """Have caffeinate hold off idle sleep and, on the mains, all sleep for as long as we live. look_every_s: how often
    it is looked at. Raises NotHeld."""
    program = "caffeinate"
    process = await _started(start, (program, "-i", "-s", "-w", str(os.getpid())))
    try:
        await asyncio.wait_for(process.wait(), settled_s)
    except TimeoutError:
        return _ProgramLock(process, program, look_every_s, ends_with_input=False)
    except BaseException:
        _terminate(process)
        raise
    raise NotHeld(_refusal(program, await _ended(process), process.returncode))


async def _started(start: Start, argv: Sequence[str]) -> asyncio.subprocess.Process:
    try:
        return await start(argv)
    except FileNotFoundError:
        raise NotHeld(f"this system has no {argv[0]}") from None
    except OSError as problem:
        raise NotHeld(f"{argv[0]} cannot be started ({problem.strerror})") from None


def _refusal(program: str, errors: bytes, code: int | None) -> str:
    lines = [line.strip() for line in errors.decode(errors="replace").splitlines() if line.strip()]
    said = f'says "{lines[-1].rstrip(".")}"' if lines else f"ended at once with exit code {code}"
    return f"{program} {said}"


def _terminate(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()


async def _ended(process: asyncio.subprocess.Process) -> bytes:
    """Close its input and wait for its end, the last resort being to kill it and its child. Return its stderr."""
    assert process.stdin is not None
    process.stdin.close()
    with contextlib.suppress(TimeoutError):
        _out, errors = await asyncio.wait_for(process.communicate(), END_LIMIT_S)
        return errors
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)  # start_program made it a group of its own
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(process.wait(), END_LIMIT_S)
    return b""


class _ThreadLock:
    """A thread that has set its execution state. Windows forgets the state of a thread that ends."""

    by = "the execution state of a thread of this program"

    def __init__(self, set_execution_state: SetExecutionState) -> None:
        self._set = set_execution_state
        self._answered = threading.Event()
        self._release = threading.Event()
        self._thread = threading.Thread(target=self._hold, name="sleep held off", daemon=True)
        self.before = 0

    def take(self) -> bool:
        """Start the thread; return whether Windows took the state. Blocks for a moment."""
        self._thread.start()
        return self._answered.wait(ANSWER_LIMIT_S) and self.before != 0

    def _hold(self) -> None:
        self.before = self._set(ES_CONTINUOUS | ES_SYSTEM_REQUIRED)
        self._answered.set()
        if self.before != 0:
            self._release.wait()
            self._set(ES_CONTINUOUS)

    async def lost(self) -> None:
        await asyncio.Event().wait()  # nobody but the thread itself can change its state

    async def release(self) -> None:
        self._release.set()
        await asyncio.to_thread(self._thread.join, END_LIMIT_S)


async def execution_state_lock(set_execution_state: SetExecutionState) -> Lock:
    """Say on a thread of its own that the system is required. Raises NotHeld."""
    lock = _ThreadLock(set_execution_state)
    if not await asyncio.to_thread(lock.take):
        raise NotHeld("Windows did not take the execution state")
    return lock


def windows_function() -> SetExecutionState:
    """Return SetThreadExecutionState; it returns the state before, 0 when it failed. Raises NotHeld elsewhere."""
    if not hasattr(ctypes, "WinDLL"):
        raise NotHeld("this Python has no way to Windows' functions")
    function = ctypes.WinDLL("kernel32").SetThreadExecutionState
    function.argtypes = (ctypes.c_uint32,)
    function.restype = ctypes.c_uint32
    return lambda state: int(function(state))
