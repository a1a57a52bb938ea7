"""Asking the kernel by generic netlink, with a deadline for each request.

pyroute2 has a request path of its own. It is not used, because it runs an event loop, offers no deadline for a request
and cannot be put on a socket pair without replacing its socket set-up; a reader that must answer within 0.8 s and a
fake kernel in the tests need both. Messages are still pyroute2's (`nl80211_messages.py`): here are only the netlink
header, sequence numbers, multipart answers, errors and interrupted dumps (RFC 3549, section 2.3; `linux/netlink.h`).

May import the standard library and its neighbours only.
"""

import errno
import os
import socket
import struct
from collections.abc import Callable, Iterator
from typing import Protocol

from sitetest.observe.link.reader import Clock

NETLINK_GENERIC = 16
GENL_ID_CTRL = 16
NLMSG_ERROR = 2
NLMSG_DONE = 3
NLM_F_REQUEST = 1
NLM_F_ACK = 4
NLM_F_DUMP_INTR = 16
NLM_F_DUMP = 0x300
SOL_NETLINK = 270
NETLINK_ADD_MEMBERSHIP = 1

HEADER = struct.Struct("=IHHII")
ERROR_CODE = struct.Struct("=i")
RECEIVE_BYTES = 1 << 17
"""Above what the kernel puts into one datagram of a dump (32 KiB)."""


class NetlinkSocket(Protocol):
    """What is needed of a socket: a netlink one, or one end of a datagram socket pair."""

    def send(self, data: bytes, /) -> int: ...
    def recv(self, size: int, /) -> bytes: ...
    def settimeout(self, limit_s: float | None, /) -> None: ...
    def close(self) -> None: ...


class NetlinkRefused(Exception):
    """The kernel answered with an error number. code: as in `errno`."""

    def __init__(self, code: int) -> None:
        super().__init__(os.strerror(code))
        self.code = code


class NetlinkGarbled(Exception):
    """What came is no netlink message."""


def open_generic_netlink() -> socket.socket:
    """Return a socket to the kernel. Raises OSError where netlink is blocked or does not exist."""
    family = getattr(socket, "AF_NETLINK", None)
    if family is None:
        raise OSError(errno.EAFNOSUPPORT, os.strerror(errno.EAFNOSUPPORT))
    opened = socket.socket(family, socket.SOCK_RAW, NETLINK_GENERIC)
    try:
        opened.bind((0, 0))
    except OSError:
        opened.close()
        raise
    return opened


def messages_in(datagram: bytes) -> Iterator[tuple[int, int, int, bytes]]:
    """Yield (type, flags, sequence number, whole message) of each message in a datagram. Raises NetlinkGarbled."""
    offset = 0
    while offset < len(datagram):
        if len(datagram) - offset < HEADER.size:
            raise NetlinkGarbled(f"{len(datagram) - offset} bytes are left, a header has {HEADER.size}")
        length, kind, flags, sequence, _ = HEADER.unpack_from(datagram, offset)
        if not HEADER.size <= length <= len(datagram) - offset:
            raise NetlinkGarbled(f"a message of {length} bytes in the {len(datagram) - offset} that are left")
        yield kind, flags, sequence, datagram[offset : offset + length]
        offset += (length + 3) & ~3


class Requests:
    """Requests over one socket, one at a time. Answers to a request that was given up are passed over."""

    def __init__(self, channel: NetlinkSocket, clock: Clock) -> None:
        self._channel = channel
        self._clock = clock
        self._sequence = 0

    def ask(self, kind: int, encode: Callable[[int, int, int], bytes], deadline_s: float) -> list[bytes]:
        """Send one request and return the messages of its answer.

        encode: takes (type, flags, sequence number), returns the request. Raises NetlinkRefused, NetlinkGarbled,
        TimeoutError at the deadline, OSError.
        """
        return self._once(kind, NLM_F_REQUEST | NLM_F_ACK, encode, deadline_s)[0]

    def dump(self, kind: int, encode: Callable[[int, int, int], bytes], deadline_s: float) -> list[bytes]:
        """As :meth:`ask`, for a list. A list that changed while it was sent is asked for once more; the second answer
        is taken as it is."""
        answer, interrupted = self._once(kind, NLM_F_REQUEST | NLM_F_DUMP, encode, deadline_s)
        return self._once(kind, NLM_F_REQUEST | NLM_F_DUMP, encode, deadline_s)[0] if interrupted else answer

    def close(self) -> None:
        """Close the socket."""
        self._channel.close()

    def _once(
        self, kind: int, flags: int, encode: Callable[[int, int, int], bytes], deadline_s: float
    ) -> tuple[list[bytes], bool]:
        self._sequence += 1
        self._wait_until(deadline_s)
        self._channel.send(encode(kind, flags, self._sequence))
        answer: list[bytes] = []
        interrupted = False
        while True:
            self._wait_until(deadline_s)
            datagram = self._channel.recv(RECEIVE_BYTES)
            if not datagram:
                raise NetlinkGarbled("an empty datagram")
            for got, got_flags, sequence, message in messages_in(datagram):
                if sequence != self._sequence:
                    continue
                interrupted |= bool(got_flags & NLM_F_DUMP_INTR)
                if got in (NLMSG_ERROR, NLMSG_DONE):
                    self._raise_error(got, message)
                    return answer, interrupted
                if got == kind:
                    answer.append(message)

    def _wait_until(self, deadline_s: float) -> None:
        left_s = deadline_s - self._clock()
        if left_s <= 0:
            raise TimeoutError("the deadline has passed")
        self._channel.settimeout(left_s)

    def _raise_error(self, kind: int, message: bytes) -> None:
        if len(message) < HEADER.size + ERROR_CODE.size:
            if kind == NLMSG_DONE:
                return
            raise NetlinkGarbled("an error without its number")
        (code,) = ERROR_CODE.unpack_from(message, HEADER.size)
        if code < 0:
            raise NetlinkRefused(-code)
