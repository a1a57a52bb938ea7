"""Runs code that may hang, crash or end the process (a C library) in a process of its own, and keeps watch over it.

    supervisor                                        worker (:mod:`sitetest_wire.supervised_worker`)
      start() ---- python -E -P PROGRAM ... -------->  session of its own, stdin and stdout nowhere
      next_event() <--- one JSON object a line --------  result pipe
      end() <---------- exit status, end of stderr ----
      kill()  --------- SIGKILL to the group --------->  at once: no library gets to run its handlers

Promises: what the worker prints never blocks it; a worker that is silent, late, garbled or gone is told apart; after
:meth:`WorkerProcess.close` no process, descriptor or task is left, also when the caller is cancelled meanwhile.
POSIX only. May import the standard library only.
"""

import asyncio
import json
import os
import signal
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Self

SILENCE_LIMIT_S = 3.0
"""A worker tells something at least twice a second; after this long without a word its interpreter hangs."""

_LINE_LIMIT_BYTES = 1 << 20
_STDERR_TAIL_BYTES = 8192


class WorkerSilent(Exception):
    """The worker has told nothing for longer than it may."""


class WorkerLate(Exception):
    """The worker is still not done at its deadline."""


class WorkerGarbled(Exception):
    """The worker told something that is not an event."""


@dataclass(frozen=True, slots=True)
class WorkerEnd:
    """How a worker ended. exit_status: negative is the number of the signal that ended it. last_words: end of its
    stderr, may be empty. killed: by us."""

    exit_status: int
    last_words: str
    killed: bool

    @property
    def how(self) -> str:
        """The end in words, such as ``it was ended by signal 11 (SIGSEGV)``; with the last line of its stderr."""
        if self.exit_status < 0:
            text = f"it was ended by signal {-self.exit_status} ({_signal_name(-self.exit_status)})"
        else:
            text = f"it ended by itself with exit status {self.exit_status}"
        lines = self.last_words.strip().splitlines()
        return f"{text}; it last said: {lines[-1].strip()[:200]}" if lines else text


class WorkerProcess:
    """A running worker. Made by :meth:`start`; whoever starts one must close it."""

    def __init__(
        self, process: asyncio.subprocess.Process, events: asyncio.StreamReader, pipe: asyncio.BaseTransport
    ) -> None:
        self._process = process
        self._events = events
        self._pipe = pipe
        self._killed = False
        self._stderr = bytearray()
        self._stderr_reader = asyncio.create_task(self._read_stderr(), name=f"stderr of worker {process.pid}")

    @classmethod
    async def start(cls, program: Sequence[str], arguments: Mapping[str, Any]) -> Self:
        """Start a worker with JSON-ready ``arguments``.

        program: what Python is to run, ``("-m", MODULE)`` or the path of a file. Raises OSError when the system cannot
        start a process.
        """
        reading, writing = os.pipe()
        events = asyncio.StreamReader(limit=_LINE_LIMIT_BYTES)
        try:
            pipe, _ = await asyncio.get_running_loop().connect_read_pipe(
                lambda: asyncio.StreamReaderProtocol(events), os.fdopen(reading, "rb", buffering=0)
            )
        except BaseException:
            os.close(writing)
            raise
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-E", "-P", *program),
                *(str(writing), str(os.getpid()), json.dumps(dict(arguments))),
                pass_fds=(writing,),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
        except BaseException:
            pipe.close()
            raise
        finally:
            os.close(writing)
        return cls(process, events, pipe)

    @property
    def pid(self) -> int:
        """Process id, which is also that of its group and session."""
        return self._process.pid

    async def next_event(self, *, deadline_s: float, silence_limit_s: float = SILENCE_LIMIT_S) -> dict[str, Any] | None:
        """Return what the worker tells next; None when it will tell nothing more.

        deadline_s: on the loop's clock. Raises WorkerSilent, WorkerLate, WorkerGarbled.
        """
        now_s = asyncio.get_running_loop().time()
        try:
            async with asyncio.timeout_at(min(deadline_s, now_s + silence_limit_s)):
                line = await self._events.readline()
        except TimeoutError as problem:
            if asyncio.get_running_loop().time() >= deadline_s:
                raise WorkerLate("the worker is still not done at its deadline") from problem
            raise WorkerSilent(f"the worker has told nothing for {silence_limit_s:g} s") from problem
        except ValueError as problem:
            raise WorkerGarbled(f"a line is longer than {_LINE_LIMIT_BYTES} bytes") from problem
        if not line.endswith(b"\n"):
            return None
        try:
            event = json.loads(line)
        except ValueError as problem:
            raise WorkerGarbled(f"not JSON: {line[:80]!r}") from problem
        if not isinstance(event, dict) or not isinstance(event.get("event"), str):
            raise WorkerGarbled(f"not an event: {line[:80]!r}")
        return event

    def kill(self) -> None:
        """End the worker and whatever it started, at once. Does nothing when it has ended."""
        if self._process.returncode is None:
            self._killed = True
            self._end_group()

    async def end(self) -> WorkerEnd:
        """Wait for the worker's end and say how it ended."""
        status = await self._process.wait()
        await asyncio.wait({self._stderr_reader})
        return WorkerEnd(status, self._stderr.decode("utf-8", "replace"), self._killed)

    async def close(self) -> WorkerEnd:
        """End what still runs and give everything back, even when the caller is cancelled meanwhile.

        The returned end is that of a worker that had ended by itself, if it had (a closed pipe says so).
        """
        self._end_group()
        ending = asyncio.create_task(self.end(), name=f"end of worker {self.pid}")
        cancelled: asyncio.CancelledError | None = None
        while not ending.done():
            try:
                await asyncio.wait({ending})
            except asyncio.CancelledError as again:
                cancelled = again
        self._pipe.close()
        if cancelled is not None:
            raise cancelled
        return ending.result()

    def _end_group(self) -> None:
        if self._process.returncode is None:
            with suppress(ProcessLookupError, PermissionError):  # it ended this very moment
                os.killpg(self._process.pid, signal.SIGKILL)

    async def _read_stderr(self) -> None:
        stream = self._process.stderr
        assert stream is not None
        while part := await stream.read(65536):
            self._stderr += part
            del self._stderr[:-_STDERR_TAIL_BYTES]


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return "unknown"
