"""Write a whole file or none: beside it, synced, put in place in one step, the folder synced.

A reader sees the old file or the new one, never a part. May import the standard library only.
"""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO


def write_atomically(path: Path, data: bytes) -> None:
    """Put ``data`` in place of ``path``. Raises OSError and then leaves ``path`` as it was."""
    with replacing(path) as file:
        file.write(data)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to, and to read back, that takes the place of ``path`` when the block ends well.

    Raises OSError, and like any other error in the block that leaves ``path`` as it was. The name of the file beside it
    is fixed, so that what a killed process leaves behind is written over by the next.
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        with beside.open("w+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        put_in_place(beside, path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise


def put_in_place(beside: Path, path: Path) -> None:
    """Rename a finished, synced file over ``path`` in the same folder and make the renaming last. Raises OSError."""
    beside.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last over a power cut; Windows does so by itself and cannot open folders."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
