"""The words that agent and server both speak: directions, engines, and what a byte count means.

Promise: every word is a plain lower-case string on the wire, in files and on the command line.
May import the standard library only.
"""

from enum import StrEnum


class Direction(StrEnum):
    """Which way the payload flows, seen from the laptop."""

    DOWNLOAD = "download"
    UPLOAD = "upload"


class EngineName(StrEnum):
    """What moves the bytes."""

    IPERF3 = "iperf3"
    HTTP = "http"


class CountedAs(StrEnum):
    """Where a byte count was taken.

    Only ``RECEIVED`` may become a figure of record. ``ACKED`` (bytes that the far kernel has acknowledged) may stand in
    for it on a live display. A count of bytes written by a sender is not represented: it overstates.
    """

    RECEIVED = "received"
    ACKED = "acked"
