"""`results/results.csv`: the tidy table, brought up to date while attempts are kept.

The file is a picture of the store, never a source: a hand edit is replaced and never read back. New attempts are added
to a copy of the file that was written last; whenever that is not what stands there, or an earlier attempt has changed,
the whole is written again from the store. Nothing of it is held in memory, however many attempts there are.

When it cannot be written (open in another program, read-only, disk full) nothing is lost; :attr:`TidyFile.problem` says
so until a later writing succeeds. May import tidy, atomic_file and the standard library only.
"""

import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from sitetest.store.atomic_file import replacing
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.tidy import Facts, attempt_line, header_line

_HEADER = header_line(ATTEMPT_FIELDS).encode("utf-8")

Seen = tuple[int, int, int]
"""What tells a file from another of the same name: inode, size, time of change in nanoseconds."""


class TidyFile:
    """The file. every: gives all attempts of the store, in order, as they are read. problem: why it is not up to date,
    a sentence; None when it is."""

    def __init__(self, path: Path, every: Callable[[], Iterable[Facts]]) -> None:
        self._path = path
        self._every = every
        self._written: Seen | None = None
        self.problem: str | None = None

    def write(self) -> None:
        """Write the whole table; never raises for a file that cannot be written."""
        self._put(whole=True, new=())

    def add(self, new: Iterable[Facts]) -> None:
        """Add attempts at the end; writes the whole table where the file is not the one that was written last."""
        self._put(whole=self._written is None or self._seen() != self._written, new=new)

    def set_aside(self) -> None:
        """Move a file that the store knows nothing about out of the way, under the first free name. Raises OSError."""
        number = 1
        while (aside := self._path.with_name(f"results-before-{number}.csv")).exists():
            number += 1
        if self._path.exists():
            self._path.rename(aside)

    def _put(self, *, whole: bool, new: Iterable[Facts]) -> None:
        try:
            with replacing(self._path) as file:
                if whole:
                    file.write(_HEADER)
                else:
                    with self._path.open("rb") as before:
                        shutil.copyfileobj(before, file)
                file.writelines(_lines(self._every() if whole else new))
            self._written = self._seen()
        except OSError as problem:
            self._written = None
            self.problem = (
                f"{self._path} could not be brought up to date ({problem.strerror or problem}). Nothing is lost: every "
                "attempt is in site.sqlite beside it. Close other programs that hold the file open, or make room; the "
                "next attempt or `sitetest export` writes the table again."
            )
        else:
            self.problem = None

    def _seen(self) -> Seen | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns


def _lines(facts: Iterable[Facts]) -> Iterator[bytes]:
    return (attempt_line(one).encode("utf-8") for one in facts)
