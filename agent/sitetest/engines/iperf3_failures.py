"""What libiperf's error numbers mean to the person in the room. Pure.

The library's own text is only quoted, never read: it differs between versions, and newer ones leave parts of it empty.
May import sitetest_wire and the standard library only.
"""

import math
from dataclasses import dataclass

from sitetest.engines.base import CONNECT_TIMEOUT_S, STALL_LIMIT_S, Failure, FailureKind

PATH_DEAD_AFTER_S = 0.8 * STALL_LIMIT_S
"""A connection that fails after bytes have stood still for this long was given up by the kernel; one that fails while
bytes flow was closed by the other end."""


@dataclass(frozen=True, slots=True)
class LibraryResult:
    """How libiperf's call ended. code: its return value. errno, text: the library's last error; 0 and empty for none.
    error: the ``error`` of its JSON. still_s: seconds since a byte last moved; None when none did or nobody knows."""

    code: int
    errno: int
    text: str
    error: str | None
    still_s: float | None

    @property
    def failed(self) -> bool:
        """Up to 3.13 the call returns 0 with an ``error`` in the JSON; from 3.14 on it returns -1."""
        return self.code != 0 or self.error is not None


# libiperf's iperf_api.h
_CONNECT = 103
_STREAM_CONNECT = 203
CONNECT_ERRORS = frozenset({_CONNECT, _STREAM_CONNECT})
"""Errors of a connection that never came up; which of refused, silent or no route, only the network can tell."""

_SERVER_TERMINATED = 120
_MEANINGS: tuple[tuple[frozenset[int], FailureKind, str], ...] = (
    (
        frozenset({121}),
        FailureKind.BUSY,
        "the server there is busy with another test; another program than our server must hold that port",
    ),
    (
        frozenset({134}),
        FailureKind.UNAVAILABLE,
        "the congestion control that was asked for is not available at the sender; leave it out, or let the system "
        "load and permit it",
    ),
    (
        frozenset({110, 208}),
        FailureKind.BAD_OUTPUT,
        "what answers there does not speak the iperf3 protocol",
    ),
    (
        frozenset({100, 101, *range(122, 134), *range(135, 142), 200, 201, 300, 301, *range(400, 404)}),
        FailureKind.UNAVAILABLE,
        "libiperf cannot set the test up",
    ),
)
_CONNECTION_LOST = frozenset({*range(104, 110), *range(111, 121), 204, 205, 206, 207})
_LOST_WORDS = {
    105: "sending the first bytes",
    107: "writing to the control connection",
    108: "reading from the control connection",
    109: "the control connection closed",
    205: "writing to a data connection",
    206: "reading from a data connection",
    207: "a data connection closed",
}


def library_failure(result: LibraryResult, where: str, reached: FailureKind | None = None) -> Failure:
    """Say what a failed call means.

    where: direction and endpoint, such as ``upload to 192.0.2.7:17301``. reached: for an error of CONNECT_ERRORS, what
    a connection attempt of our own met right afterwards (None: it came up).
    """
    number = result.errno or None
    if number in CONNECT_ERRORS:
        return Failure(reached or FailureKind.UNREACHABLE, f"{where}: {_connect_words(reached)}", number)
    if number is None or number in _CONNECTION_LOST:
        return _lost(result, where, number)
    for numbers, kind, words in _MEANINGS:
        if number in numbers:
            return Failure(kind, f"{where}: {words}{_quoted(result)}", number)
    return Failure(FailureKind.BAD_OUTPUT, f"{where}: libiperf gave up{_quoted(result)}", number)


def _lost(result: LibraryResult, where: str, number: int | None) -> Failure:
    if result.still_s is not None and result.still_s >= PATH_DEAD_AFTER_S:
        return Failure(
            FailureKind.LINK_LOST,
            f"{where}: the path was lost: no byte moved for {result.still_s:.0f} s, and the system gave up on it",
            number,
        )
    if number == _SERVER_TERMINATED:
        return Failure(FailureKind.PEER_DIED, f"{where}: the server ended the test before its time", number)
    seen = _LOST_WORDS.get(number or 0, "a connection failed")
    return Failure(
        FailureKind.PEER_DIED, f"{where}: the server's end went away in the middle of the test ({seen})", number
    )


def _connect_words(reached: FailureKind | None) -> str:
    match reached:
        case FailureKind.REFUSED:
            return "the machine answers, but nothing listens on that port (connection refused)"
        case FailureKind.CONNECT_TIMEOUT:
            return (
                f"no connection within {math.ceil(CONNECT_TIMEOUT_S)} s; a firewall may be in the way of this port, or "
                "the machine is off"
            )
        case None:
            return "libiperf could not connect, although the port can be reached now; try again"
        case _:
            return "there is no way to that machine from here now"


def _quoted(result: LibraryResult) -> str:
    words = result.error or result.text
    return f"; its own words: {words[:200]}" if words else ""
