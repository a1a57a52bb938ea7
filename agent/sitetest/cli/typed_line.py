"""One line typed by the person, waited for without holding up the event loop.

A thread reads the file descriptor itself (not ``sys.stdin``, whose lock a thread that still waits at the end of the
process would hold). A wait that is given up leaves its thread reading; the next wait takes over what that thread gets,
so that there is never more than one reader. At a terminal only what is typed after the question answers it: an Enter
that was pressed earlier must not confirm that an AP config was switched. A pipe keeps its lines. May import the
standard library only.
"""

import asyncio
import os
import sys
import threading

if sys.platform != "win32":
    import termios


class TypedLines:
    """Lines from a file descriptor, 0 being standard input."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._rest = b""
        self._reading: asyncio.Future[bytes | None] | None = None

    async def next_line(self) -> str | None:
        """Return the next line without its end; None when the input has ended."""
        if self._reading is not None and self._reading.done() and os.isatty(self._descriptor):
            self._reading = None
        if self._reading is None:
            self._forget_what_was_typed_early()
            loop = asyncio.get_running_loop()
            self._reading = loop.create_future()
            threading.Thread(target=self._read, args=(loop, self._reading), name="typed line", daemon=True).start()
        line = await asyncio.shield(self._reading)
        self._reading = None
        return None if line is None else line.decode("utf-8", "replace").strip()

    def _forget_what_was_typed_early(self) -> None:
        if not os.isatty(self._descriptor):
            return
        self._rest = b""
        if sys.platform != "win32":
            termios.tcflush(self._descriptor, termios.TCIFLUSH)

    def _read(self, loop: asyncio.AbstractEventLoop, result: "asyncio.Future[bytes | None]") -> None:
        while b"\n" not in self._rest:
            try:
                chunk = os.read(self._descriptor, 4096)
            except OSError:  # closed, or a terminal that has gone away: the same as its end
                chunk = b""
            if not chunk:
                break
            self._rest += chunk
        line: bytes | None
        if self._rest:
            line, _, self._rest = self._rest.partition(b"\n")
        else:
            line = None
        if not loop.is_closed():
            loop.call_soon_threadsafe(_settle, result, line)


def _settle(result: "asyncio.Future[bytes | None]", line: bytes | None) -> None:
    if not result.done():
        result.set_result(line)
