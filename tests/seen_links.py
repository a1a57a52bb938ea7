"""Samples of an invented link, made by the real decoders. May import sitetest.observe and the standard library only."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from sitetest.observe.link.capture_file import read_capture
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.recorded_reader import RecordedReader

HE80 = Path(__file__).parent / "fixtures" / "link" / "linux_he80.jsonl"


def seen_link(**changes: Any) -> LinkSample:
    """Return the first sample of the fixture: 5 GHz, channel 36, 80 MHz. ``changes`` replaces fields, ``why`` too."""
    return replace(RecordedReader(read_capture(HE80), FullNames(), clock=lambda: 0.0).sample("wlan0", 1.0), **changes)
