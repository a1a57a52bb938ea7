"""`results/results.csv`: the tidy table, brought up to date after each attempt.

The file is a picture of the store, never a source: it is written whole each time, so that a hand edit is replaced and
never read back. Lines of attempts that did not change are remembered as text, which is what makes that cheap. When it
cannot be written (open in another program, read-only, disk full) nothing is lost; :attr:`TidyFile.problem` says so
until a later writing succeeds. May import tidy, atomic_file and the standard library only.
"""

from collections.abc import Iterable
from pathlib import Path

from sitetest.store.atomic_file import write_atomically
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.tidy import Facts, attempt_line, header_line

_HEADER = header_line(ATTEMPT_FIELDS).encode("utf-8")


class TidyFile:
    """The file and the lines that belong in it. problem: why it is not up to date, a sentence; None when it is."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lines: dict[str, bytes] = {}
        self.problem: str | None = None

    def put(self, facts: Iterable[Facts]) -> None:
        """Take over new or changed attempts; new ones go to the end."""
        for one in facts:
            self._lines[one.attempt.test_id] = attempt_line(one).encode("utf-8")

    def content(self) -> bytes:
        """Return the whole file."""
        return b"".join((_HEADER, *self._lines.values()))

    def write(self) -> None:
        """Bring the file up to date; never raises for a file that cannot be written."""
        try:
            write_atomically(self._path, self.content())
        except OSError as problem:
            self.problem = (
                f"{self._path} could not be brought up to date ({problem.strerror or problem}). Nothing is lost: every "
                "attempt is in site.sqlite beside it. Close other programs that hold the file open, or make room; the "
                "next attempt or `sitetest export` writes the table again."
            )
        else:
            self.problem = None

    def set_aside(self) -> None:
        """Move a file that the store knows nothing about out of the way, under the first free name. Raises OSError."""
        number = 1
        while (aside := self._path.with_name(f"results-before-{number}.csv")).exists():
            number += 1
        if self._path.exists():
            self._path.rename(aside)
