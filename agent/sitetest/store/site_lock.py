"""One writer a site folder. The system's own file lock: it is gone when its process is, however that ended.

`results/.lock` says who holds it, for the message to the second one; the text alone means nothing.
May import errors and the standard library only.
"""

import contextlib
import os
import socket
import sys
from datetime import datetime
from pathlib import Path
from typing import Self

from sitetest.errors import SiteBusy

if sys.platform == "win32":
    import msvcrt

    _LOCKED_AT = 0x7FFFFFF0  # far behind the text: a locked range cannot be read by others

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, _LOCKED_AT, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class SiteLock:
    """The right to write to one results folder, held until :meth:`release` or the end of the process."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    @classmethod
    def take(cls, results: Path, now: datetime) -> Self:
        """Take the lock of a results folder that exists. Raises SiteBusy naming the holder, OSError when the folder
        cannot be written to."""
        path = results / ".lock"
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
        try:
            _lock(descriptor)
        except OSError as problem:
            os.close(descriptor)
            holder = path.read_text(encoding="utf-8", errors="replace").strip()
            raise SiteBusy(
                f"Another sitetest run is writing to {results}: {holder or 'it has not said who it is yet'}.",
                "Wait until it has ended, or stop it; two runs at one site would also disturb each other's figures.",
            ) from problem
        holder = f"process {os.getpid()} on {socket.gethostname()}, since {now.isoformat(timespec='seconds')}\n"
        with contextlib.suppress(OSError):  # a full disk: the lock holds without its label
            os.ftruncate(descriptor, 0)
            os.lseek(descriptor, 0, os.SEEK_SET)
            os.write(descriptor, holder.encode("utf-8"))
        return cls(descriptor)

    def release(self) -> None:
        """Let the next one write; once. The file stays: deleting it would let two processes hold two locks."""
        with contextlib.suppress(OSError):
            os.ftruncate(self._descriptor, 0)
        os.close(self._descriptor)
