"""Runs a short command of the system or of the site's owner: no shell, bounded in time, nothing left behind.

May import the standard library only.
"""

import asyncio
import os
import signal
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

TAIL_CHARACTERS = 400
"""How much of a command's output is kept: what a person needs in order to see why it failed."""

MAX_OUTPUT_BYTES = 2**20
"""A command that says more than this is ended: nothing of ours needs it, and memory is not endless."""


@dataclass(frozen=True, slots=True)
class Finished:
    """code: exit code; below 0 the signal that ended it; None when it was ended by us. output: stdout and stderr, its
    last TAIL_CHARACTERS. problem: why it could not run or was ended by us; None otherwise."""

    code: int | None
    output: str
    problem: str | None = None

    @property
    def worked(self) -> bool:
        """Whether it ran to its end and said that all is well."""
        return self.code == 0 and self.problem is None


async def run_command(command: Sequence[str], timeout_s: float) -> Finished:
    """Run a command to its end, or end it and its children after ``timeout_s`` or when the task is cancelled."""
    try:
        process = await _started(command)
    except (OSError, ValueError) as problem:
        return Finished(None, "", f"{command[0]} cannot be started: {problem}")
    output = bytearray()
    over = False
    try:
        async with asyncio.timeout(timeout_s):
            complete = await _read(process, output)
            if complete:
                code = await process.wait()
                over = True
                return Finished(code, _tail(output))
        return Finished(None, _tail(output), f"it said more than {MAX_OUTPUT_BYTES} bytes and was ended")
    except TimeoutError:
        return Finished(None, _tail(output), f"it was not over after {timeout_s:g} s and was ended")
    finally:
        if not over:
            await _end(process)


async def _started(command: Sequence[str]) -> asyncio.subprocess.Process:
    """Start a command in a group of its own. A start that is cancelled half-way is seen through and then ended: by
    itself asyncio would kill the command and leave its children behind."""
    starting = asyncio.ensure_future(
        asyncio.create_subprocess_exec(
            *command,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            start_new_session=os.name == "posix",
        )
    )
    try:
        return await asyncio.shield(starting)
    except asyncio.CancelledError:
        with suppress(OSError, ValueError):
            await _end(await starting)
        raise


async def _read(process: asyncio.subprocess.Process, output: bytearray) -> bool:
    """Gather the output; False when there is too much of it."""
    assert process.stdout is not None
    while part := await process.stdout.read(65536):
        output += part
        if len(output) > MAX_OUTPUT_BYTES:
            return False
    return True


async def _end(process: asyncio.subprocess.Process) -> None:
    """Kill the whole group: a script's children hold the pipe open and would go on changing the access point."""
    with suppress(ProcessLookupError):
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    await process.wait()


def _tail(output: bytearray) -> str:
    return output.decode("utf-8", "replace").strip()[-TAIL_CHARACTERS:]
