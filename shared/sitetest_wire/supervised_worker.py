"""The worker's half of :mod:`sitetest_wire.worker_process`: how a worker tells, keeps quiet, and dies with its parent.

    python -E -P PROGRAM  RESULT_FD  PARENT_PID  ARGUMENTS_AS_JSON

Events go to RESULT_FD, one JSON object a line, each with ``event`` and ``at_s`` (monotonic). File descriptor 1 belongs
to whatever C library prints: it ends in an unlinked file that cannot block. Kept small, because every transfer waits
for it to be imported. May import the standard library only.
"""

import ctypes
import json
import os
import signal
import sys
import threading
import time
from typing import Any, NoReturn

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_RAW_CHUNK_CHARACTERS = 32_768


class EventWriter:
    """Writes events to the supervisor; may be called from several threads. Ends the process when nobody reads."""

    def __init__(self, result_fd: int) -> None:
        self._fd = result_fd
        self._lock = threading.Lock()

    def tell(self, event: str, **facts: Any) -> None:
        """Write one event."""
        line = json.dumps({"event": event, "at_s": time.monotonic(), **facts}).encode() + b"\n"
        with self._lock:
            while line:
                try:
                    line = line[os.write(self._fd, line) :]
                except OSError:
                    os._exit(3)  # the supervisor is gone: there is nobody to measure for

    def tell_raw(self, text: str) -> None:
        """Write a long text as ``raw`` events, so that no line is longer than the supervisor accepts."""
        for start in range(0, len(text), _RAW_CHUNK_CHARACTERS):
            self.tell("raw", text=text[start : start + _RAW_CHUNK_CHARACTERS])


class CapturedStdout:
    """File descriptor 1, turned into a file without a name. Unlike a pipe it never blocks whoever writes to it."""

    def __init__(self) -> None:
        self._fd = _nameless_file()
        os.dup2(self._fd, 1)

    def text(self) -> str:
        """Return all that was printed so far, the C library's buffers included."""
        ctypes.CDLL(None).fflush(None)
        os.lseek(self._fd, 0, os.SEEK_SET)
        parts = []
        while part := os.read(self._fd, 1 << 20):
            parts.append(part)
        return b"".join(parts).decode("utf-8", "replace")


def begin() -> tuple[EventWriter, dict[str, Any]]:
    """Tie the process to its parent, leave Ctrl-C to it, and return where to tell and what was asked."""
    result_fd, parent_pid, arguments = int(sys.argv[1]), int(sys.argv[2]), json.loads(sys.argv[3])
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent_pid:
        os._exit(3)  # it died before we asked to die with it
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return EventWriter(result_fd), arguments


def leave() -> NoReturn:
    """End the process without running any destructor: that of the `iperf3` package closes descriptors twice."""
    os._exit(0)


def _nameless_file() -> int:
    if sys.platform == "linux":
        return os.memfd_create("stdout")
    import tempfile  # noqa: PLC0415  # slow to import, and needed where there is no memfd only

    descriptor, path = tempfile.mkstemp()
    os.unlink(path)  # noqa: PTH108  # the descriptor is what stays
    return descriptor
