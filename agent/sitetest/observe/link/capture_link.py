"""Makes a capture of this laptop's link, for people who want to give us a real one (`sitetest check --capture FILE`).

May import the standard library and its neighbours only.
"""

import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from sitetest.errors import UsageError
from sitetest.observe.link.anonymise import INTERFACE, Anonymiser
from sitetest.observe.link.capture_file import CaptureHeader, CaptureLine, capture_text
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reader import Clock, ObservingReader

FACTS_LIMIT_S = 10.0
SAMPLE_LIMIT_S = 0.8


def capture_link(
    reader: ObservingReader,
    interface: str,
    *,
    os: str,
    samples: int = 10,
    note: str = "",
    clock: Clock = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[CaptureHeader, list[CaptureLine]]:
    """Ask for facts, for ``samples`` samples a second apart with the events between them, and for facts again.

    Returns the anonymised capture; times begin at 0. The reader must name places in full (:class:`FullNames`), so that
    the anonymiser sees what it has to replace.
    """
    began_s = clock()
    anonymiser = Anonymiser()
    lines: list[CaptureLine] = []
    events = reader.events(interface)

    def observed(line: str, limit_s: float) -> None:
        at_s = clock()
        ask = reader.observe_facts if line == "facts" else reader.observe
        raw = ask(interface, at_s + limit_s)
        lines.append(CaptureLine(line, at_s - began_s, clock() - began_s, anonymiser.clean(raw)))

    observed("facts", FACTS_LIMIT_S)
    grid_s = clock()
    for number in range(samples):
        sleep(max(0.0, grid_s + number - clock()))
        observed("sample", SAMPLE_LIMIT_S)
        for event in events.wait(0.0) if events is not None else ():
            body = {**event.to_json(), "interface": INTERFACE}
            body.pop("source")
            at_s = body.pop("at_s") - began_s
            lines.append(CaptureLine("event", at_s, at_s, anonymiser.clean(body)))
    if events is not None:
        events.close()
    observed("facts", FACTS_LIMIT_S)
    lines.sort(key=lambda entry: entry.at_s)
    return CaptureHeader("recorded", f"{reader.name} on this system", os, reader.name, note), lines


def write_capture(file: Path, header: CaptureHeader, lines: list[CaptureLine]) -> None:
    """Write a capture. An existing file is never overwritten: raises UsageError then, and when it cannot be written."""
    try:
        with file.open("x", encoding="utf-8") as opened:
            opened.writelines(capture_text(header, lines))
    except FileExistsError as problem:
        raise UsageError(f"{file} exists already", "Name a file that does not exist yet.") from problem
    except OSError as problem:
        with suppress(OSError):
            file.unlink()
        raise UsageError(f"the capture cannot be written to {file}: {problem}") from problem


def names_for_capture() -> FullNames:
    """Return what a reader must be made with whose answers go into a capture."""
    return FullNames()
