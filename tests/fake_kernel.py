"""A kernel on one end of a socket pair that answers generic netlink requests as it was told to.

May import the standard library and `nl80211_bytes` only.
"""

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress

import nl80211_bytes as nl

Answer = Callable[[int], list[bytes]]
"""Takes the sequence number of the request; returns the datagrams of the answer."""

GET_INTERFACE, GET_STATION, GET_SURVEY, GET_POWER_SAVE = 5, 17, 50, 62
NOT_SUPPORTED = 95


def one(command: int, *attributes: bytes) -> Answer:
    """One message, then the acknowledgement in a datagram of its own."""
    return lambda sequence: [nl.generic(command, *attributes, sequence=sequence), nl.error(0, sequence)]


def several(command: int, *entries: bytes, flags: int = 0) -> Answer:
    """A multipart answer: every entry in one datagram, the end in the next."""
    return lambda sequence: [
        b"".join(nl.generic(command, entry, flags=2 | flags, sequence=sequence) for entry in entries)
        + nl.done(sequence, flags)
    ]


def refused(code: int) -> Answer:
    return lambda sequence: [nl.error(code, sequence)]


def silence(sequence: int) -> list[bytes]:
    return []


class FakeKernel:
    """answers: by command; a list of answers is used up one request at a time, its last one again and again."""

    def __init__(self, answers: dict[int, Answer | list[Answer]] | None = None, family: Answer | None = None) -> None:
        self.answers: dict[int, Answer | list[Answer]] = {
            GET_INTERFACE: one(nl.NEW_INTERFACE, nl.interface()),
            GET_STATION: several(nl.NEW_STATION, nl.station()),
            GET_SURVEY: several(nl.NEW_SURVEY, nl.survey(5200, in_use=False), nl.survey()),
            GET_POWER_SAVE: one(nl.GET_POWER_SAVE, nl.u32(93, 1)),
        }
        self.answers |= answers or {}
        self.family = family or (lambda sequence: [nl.family(sequence), nl.error(0, sequence)])
        self.requests: list[int] = []
        self.joined: list[int] = []
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.client_ends: list[socket.socket] = []

    def open(self) -> socket.socket:
        """Return the reader's end of a new pair, as a netlink socket would be opened."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._ends.append(ours)
        self.client_ends.append(theirs)
        thread = threading.Thread(target=self._serve, args=(ours,), daemon=True)
        self._threads.append(thread)
        thread.start()
        return theirs

    def join(self, channel: object, group: int) -> None:
        """Remember that a group was joined."""
        self.joined.append(group)

    def say(self, datagram: bytes) -> None:
        """Send something by itself over the socket that was opened last."""
        self._ends[-1].send(datagram)

    def close(self) -> None:
        """End every thread."""
        for end in (*self.client_ends, *self._ends):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        for thread in self._threads:
            thread.join(5)

    def _serve(self, end: socket.socket) -> None:
        while True:
            try:
                request = end.recv(65536)
            except OSError:
                return
            if not request:
                return
            _, kind, _, sequence, _ = struct.unpack_from("=IHHII", request)
            command = request[16]
            if kind == 16:
                answer: Answer = self.family
            else:
                self.requests.append(command)
                told = self.answers.get(command, refused(NOT_SUPPORTED))
                if isinstance(told, list):
                    answer = told[0]
                    if len(told) > 1:
                        told.pop(0)
                else:
                    answer = told
            try:
                for datagram in answer(sequence):
                    end.send(datagram)
            except OSError:
                return
