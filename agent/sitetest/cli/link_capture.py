"""The capture behind ``sitetest check --capture FILE``: this laptop's link, without names and addresses, as a file.

It needs no site and no server. A laptop without a radio has nothing to give, and nothing is written then: an empty
capture would only look like one. May import observe, visit.path, errors and the standard library only.
"""

import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sitetest import __version__
from sitetest.cli.laptop_reading import default_route
from sitetest.errors import UsageError
from sitetest.observe.link.capture_file import CaptureLine
from sitetest.observe.link.capture_link import capture_link, names_for_capture, write_capture
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.reader import LinkReader, ObservingReader
from sitetest.observe.link.reader_choice import choose_reader
from sitetest.observe.linux_interface import is_wifi
from sitetest_wire.wired_link import SYSFS_NET

NO_RADIO_STEP = "Run it on a laptop whose Wi-Fi is switched on."


@dataclass(frozen=True, slots=True)
class Captured:
    """What was written. lines: how many of each kind."""

    file: Path
    interface: str
    reader: str
    lines: dict[str, int]


def reader_for_capture() -> LinkReader:
    """Return this system's reader with names in full, which the anonymiser then replaces."""
    return choose_reader(names_for_capture())


def radio_interface(sysfs_net: Path = SYSFS_NET, platform: str = sys.platform) -> str:
    """Return the interface to capture: on Linux a Wi-Fi interface, that of the default route first; elsewhere that of
    the default route. Raises UsageError where there is none."""
    route = default_route()
    default = route.interface if route is not None else None
    if platform != "linux":
        if default is None:
            raise UsageError("No interface leads out of this laptop, so there is no link to capture.", NO_RADIO_STEP)
        return default
    found = sorted(folder.name for folder in sysfs_net.glob("*") if is_wifi(folder.name, sysfs_net))
    if not found:
        raise UsageError("This computer has no Wi-Fi interface, so there is no link to capture.", NO_RADIO_STEP)
    return default if default in found else found[0]


def capture_to(
    file: Path,
    seconds: int,
    *,
    interface: str,
    make_reader: Callable[[], LinkReader] = reader_for_capture,
    sleep: Callable[[float], None] = time.sleep,
) -> Captured:
    """Capture some seconds of a link into a new file. Blocks. Raises UsageError, and then has written nothing."""
    if file.exists():
        raise UsageError(f"{file} exists already", "Name a file that does not exist yet.")
    reader = make_reader()
    try:
        if isinstance(reader, NoReader):
            raise UsageError(reader.explanation or "The Wi-Fi link of this system cannot be read.")
        observing = _observing(reader)
        note = f"made with sitetest {__version__}, {seconds} s"
        header, lines = capture_link(observing, interface, os=sys.platform, samples=seconds, note=note, sleep=sleep)
    finally:
        reader.close()
    _refuse_what_is_no_radio(interface, lines)
    write_capture(file, header, lines)
    return Captured(file, interface, reader.name, dict(Counter(line.line for line in lines)))


def capture_document(captured: Captured) -> dict[str, object]:
    """Return what was written as a JSON-ready mapping."""
    return {
        "file": str(captured.file),
        "interface": captured.interface,
        "reader": captured.reader,
        "lines": captured.lines,
    }


def capture_sentences(captured: Captured) -> list[str]:
    """Say what was written and what to do with it."""
    counts = ", ".join(f"{count} {kind}" for kind, count in captured.lines.items())
    return [
        f"Lines in it: {counts}. Names, addresses and the country are replaced; look through it all the same.",
        "It becomes a test: put it beside the others in tests/fixtures/link (docs/link-state.md).",
    ]


def _observing(reader: LinkReader) -> ObservingReader:
    if not hasattr(reader, "observe"):
        raise UsageError(f"The reader {reader.name} has no system behind it that could be captured.")
    return reader  # type: ignore[return-value]  # every live reader but NoReader can observe


def _refuse_what_is_no_radio(interface: str, lines: Sequence[CaptureLine]) -> None:
    """An answer of nothing but "not Wi-Fi" is no capture; other errors are worth having."""
    reasons = {
        part.get("error")
        for line in lines
        if line.line == "sample"
        for part in line.body.values()
        if isinstance(part, dict)
    }
    if reasons and reasons <= {"not_wifi", "no_such_interface", "reader_unavailable"}:
        raise UsageError(f"{interface} is not a Wi-Fi interface, so there is no link to capture.", NO_RADIO_STEP)
