"""Finds libiperf and declares what the `iperf3` package leaves out.

The package sets the C signatures of some forty functions; the ones here it does not know. Without a signature ctypes
cuts a 64-bit pointer to 32 bits, and the process dies. May import the standard library only: the package itself is
imported by the two workers, and only there.
"""

import ctypes
import ctypes.util
import importlib.util
import sys
from dataclasses import dataclass
from pathlib import Path

HOW_TO_INSTALL = (
    "Install libiperf 3.9 or newer (Debian, Ubuntu: apt install iperf3; Fedora: dnf install iperf3; "
    "macOS: brew install iperf3), or use the http engine"
)
_SONAMES = ("libiperf.so.0",) if sys.platform != "darwin" else ("libiperf.0.dylib", "libiperf.dylib")
_PATHS = (
    "/opt/homebrew/lib/libiperf.dylib",
    "/usr/local/lib/libiperf.dylib",
    "/opt/local/lib/libiperf.dylib",
    "/usr/local/lib/libiperf.so.0",
    "/usr/local/lib64/libiperf.so.0",
)
_SIGNATURES: dict[str, tuple[object, tuple[object, ...]]] = {
    "iperf_get_control_socket": (ctypes.c_int, (ctypes.c_void_p,)),
    "iperf_set_test_one_off": (None, (ctypes.c_void_p, ctypes.c_int)),
    "iperf_set_test_connect_timeout": (None, (ctypes.c_void_p, ctypes.c_int)),
    "iperf_set_test_congestion_control": (None, (ctypes.c_void_p, ctypes.c_char_p)),
    "iperf_get_iperf_version": (ctypes.c_char_p, ()),
}


@dataclass(frozen=True, slots=True)
class Library:
    """libiperf as found here. name: what loads it. version: such as ``3.12``."""

    name: str
    version: str


class LibraryMissing(Exception):
    """libiperf cannot be used; the message says why and how to get it, in one or two sentences."""


def find_library() -> Library:
    """Load libiperf and return where it is and which. Raises LibraryMissing."""
    if sys.platform == "win32":
        raise LibraryMissing("libiperf does not exist for Windows. Use the http engine")
    if importlib.util.find_spec("iperf3") is None:
        raise LibraryMissing("the Python package iperf3 is not installed. Install it with pip, or use the http engine")
    for name in _candidates():
        try:
            library = ctypes.CDLL(name)
        except OSError:
            continue
        try:
            declare(library)
        except AttributeError as problem:
            raise LibraryMissing(f"libiperf ({name}) is too old: {problem}. {HOW_TO_INSTALL}") from problem
        return Library(name, version_of(library))
    raise LibraryMissing(f"libiperf was not found on this machine. {HOW_TO_INSTALL}")


def declare(library: ctypes.CDLL) -> None:
    """Set the signatures that the package lacks. Raises AttributeError when the library has not all of them."""
    for name, (result, arguments) in _SIGNATURES.items():
        function = getattr(library, name)
        function.restype = result
        function.argtypes = arguments


def version_of(library: ctypes.CDLL) -> str:
    """Return the version of a declared library, such as ``3.12``."""
    text: bytes = library.iperf_get_iperf_version()
    return text.decode("utf-8", "replace").removeprefix("iperf").strip()


def _candidates() -> list[str]:
    found = ctypes.util.find_library("iperf") if sys.platform == "darwin" else None
    named = [*_SONAMES] if found is None else [*_SONAMES, found]
    return named + [path for path in _PATHS if Path(path).exists()]
