"""A little room set aside, so that a full disk cannot cost the attempt that has just been measured.

The file has real blocks. It is given up when the disk is full, which lets the attempt in hand be kept, and taken again
as soon as there is room. May import the standard library only.
"""

import errno
import os
from pathlib import Path

RESERVE_BYTES = 4 * 1024 * 1024
"""Above what one attempt takes: 40 s of 8 streams are some 150 KB with libiperf's own record, the observers' records a
few hundred, and the journal."""

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT if hasattr(errno, "EDQUOT") else errno.ENOSPC)


def is_no_room(problem: OSError) -> bool:
    """Whether the system says that the disk, or this person's share of it, is full."""
    return problem.errno in _NO_ROOM


class Reserve:
    """The file ``.reserve`` in a results folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / ".reserve"

    @property
    def held(self) -> bool:
        """Whether the room is set aside now."""
        try:
            return self._path.stat().st_size == RESERVE_BYTES
        except OSError:
            return False

    def take(self) -> bool:
        """Set the room aside; False when there is none. Raises OSError for any other trouble."""
        if self.held:
            return True
        try:
            with self._path.open("wb") as file:
                file.write(os.urandom(RESERVE_BYTES))  # random: no file system can store it smaller than it is
                file.flush()
                os.fsync(file.fileno())
        except OSError as problem:
            self.give_up()
            if is_no_room(problem):
                return False
            raise
        return True

    def give_up(self) -> bool:
        """Free the room; False when there was none to free."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
