"""Captures: what a system answered about its link, in a file that can be kept, sent and played again.

A capture is a text file with one JSON document a line, UTF-8. The first line is the header:

    {"capture": 1, "origin": "recorded", "shaped_after": "...", "os": "linux", "reader": "linux-nl80211", "note": "..."}

`capture` is the version of this format. `origin` is `recorded` for what a real system answered and `synthetic` for what
somebody wrote; `shaped_after` names the document or system whose shape the answers have; `reader` says who can decode
them; `note` is free text. The other lines are answers and events in order of time, times in seconds of one monotonic
clock:

    {"line": "facts",  "at_s": 0.0, "end_s": 0.004, "observation": {...}}
    {"line": "sample", "at_s": 1.0, "end_s": 1.001, "observation": {...}}
    {"line": "event",  "at_s": 1.4, "event": {...}}

An observation has the shape that the reader's decoder documents. Everything that tells where the capture was made has
been replaced before it is written (`anonymise.py`). Unknown keys are refused: a capture is read by the version that
knows it.

May import sitetest.errors, the standard library and its neighbours only.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sitetest.errors import UsageError

CAPTURE_VERSION = 1
ORIGINS = ("recorded", "synthetic")
LINE_KEYS = {
    "facts": {"line", "at_s", "end_s", "observation"},
    "sample": {"line", "at_s", "end_s", "observation"},
    "event": {"line", "at_s", "event"},
}


@dataclass(frozen=True, slots=True)
class CaptureHeader:
    """The first line of a capture; see the module's docstring."""

    origin: str
    shaped_after: str
    os: str
    reader: str
    note: str


@dataclass(frozen=True, slots=True)
class CaptureLine:
    """One answer or event. line: `facts`, `sample` or `event`. body: the observation or the event."""

    line: str
    at_s: float
    end_s: float
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Capture:
    """A whole capture."""

    header: CaptureHeader
    lines: tuple[CaptureLine, ...]


def read_capture(file: Path) -> Capture:
    """Read a capture. Raises UsageError, naming file and line, for what is none."""
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise UsageError(f"{file}: cannot be read as a capture: {problem}") from problem
    documents = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    if not documents:
        raise UsageError(f"{file}: is empty; a capture begins with a header line")
    header = _header(file, _document(file, *documents[0]))
    return Capture(header, tuple(_line(file, number, _document(file, number, line)) for number, line in documents[1:]))


def capture_text(header: CaptureHeader, lines: Iterable[CaptureLine]) -> Iterator[str]:
    """Yield the lines of a capture, each with its line end."""
    yield json.dumps({"capture": CAPTURE_VERSION, **asdict(header)}) + "\n"
    for entry in lines:
        if entry.line == "event":
            body: dict[str, Any] = {"line": entry.line, "at_s": entry.at_s, "event": entry.body}
        else:
            body = {"line": entry.line, "at_s": entry.at_s, "end_s": entry.end_s, "observation": entry.body}
        yield json.dumps(body, sort_keys=False) + "\n"


def _document(file: Path, number: int, line: str) -> dict[str, Any]:
    try:
        document = json.loads(line)
    except ValueError as problem:
        raise UsageError(f"{file}, line {number}: is not JSON: {problem}") from problem
    if not isinstance(document, dict):
        raise UsageError(f"{file}, line {number}: a JSON object is expected, found {type(document).__name__}")
    return document


def _header(file: Path, document: dict[str, Any]) -> CaptureHeader:
    wanted = {"capture", *CaptureHeader.__dataclass_fields__}
    if document.get("capture") != CAPTURE_VERSION:
        raise UsageError(
            f"{file}, line 1: capture is {document.get('capture')!r}; this version reads {CAPTURE_VERSION}",
            "Make the capture again with this version, or use the version that made it.",
        )
    if set(document) != wanted or not all(isinstance(document[name], str) for name in wanted - {"capture"}):
        raise UsageError(f"{file}, line 1: the header has the texts {', '.join(sorted(wanted))} and nothing else")
    if document["origin"] not in ORIGINS:
        raise UsageError(f"{file}, line 1: origin is {document['origin']!r}; allowed: {', '.join(ORIGINS)}")
    return CaptureHeader(**{name: document[name] for name in wanted - {"capture"}})


def _line(file: Path, number: int, document: dict[str, Any]) -> CaptureLine:
    kind = document.get("line")
    keys = LINE_KEYS.get(kind) if isinstance(kind, str) else None
    if kind is None or keys is None or set(document) != keys:
        raise UsageError(f"{file}, line {number}: is none of the lines {', '.join(LINE_KEYS)} with their keys")
    body = document["event" if kind == "event" else "observation"]
    times = [document["at_s"], document.get("end_s", document["at_s"])]
    if not isinstance(body, dict) or not all(isinstance(time, int | float) for time in times) or times[1] < times[0]:
        raise UsageError(f"{file}, line {number}: times are numbers in order, and the answer is an object")
    return CaptureLine(kind, float(times[0]), float(times[1]), body)
