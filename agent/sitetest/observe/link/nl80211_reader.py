"""The link reader of Linux: the kernel's nl80211 interface, without root and without starting programs.

Each second asks for the interface and for the station that is the access point, nothing else; the channel survey only
while it proved cheap. Never scans. May import the standard library and its neighbours only; pyroute2 is imported when
the reader is made.
"""

import errno
import platform
import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

from sitetest.observe import linux_interface
from sitetest.observe.link.generic_netlink import (
    GENL_ID_CTRL,
    NETLINK_ADD_MEMBERSHIP,
    SOL_NETLINK,
    NetlinkGarbled,
    NetlinkRefused,
    NetlinkSocket,
    Requests,
    open_generic_netlink,
)
from sitetest.observe.link.nl80211_decode import decode_facts, decode_sample
from sitetest.observe.link.nl80211_events import Nl80211Events
from sitetest.observe.link.nl80211_messages import load_messages
from sitetest.observe.link.nl80211_numbers import FAMILY, GROUPS, Command
from sitetest.observe.link.no_reader import SAMPLE_FIELDS
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Clock, Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind

SURVEY_LIMIT_S = 0.005
"""A survey that took longer than this twice running is not asked for again: some drivers ask the radio's firmware. Once
is forgiven, for the first one also prepares the decoder. Our own choice, a quarter of what a sample may cost."""

FAMILY_LIMIT_S = 0.5
"""How long the question for the family may take when events are opened. Answered by the kernel itself."""

BLOCKED = {errno.EPERM, errno.EACCES, errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT}
REASONS = {
    errno.ENOENT: Reason.READER_UNAVAILABLE,
    errno.ENODEV: Reason.NO_SUCH_INTERFACE,
    errno.EOPNOTSUPP: Reason.NOT_REPORTED_BY_DRIVER,
    errno.EINVAL: Reason.NOT_REPORTED_BY_DRIVER,
} | dict.fromkeys(BLOCKED, Reason.NETLINK_BLOCKED)


def reason_of(problem: Exception) -> Reason:
    """Return the reason code of what went wrong while asking the kernel."""
    if isinstance(problem, TimeoutError):
        return Reason.TIMEOUT
    if isinstance(problem, NetlinkGarbled | ValueError):
        return Reason.PARSE_ERROR
    code = problem.code if isinstance(problem, NetlinkRefused) else getattr(problem, "errno", None)
    return REASONS.get(code or 0, Reason.READER_UNAVAILABLE)


def join_group(channel: NetlinkSocket, group: int) -> None:
    """Let a socket receive a multicast group. Raises OSError."""
    assert isinstance(channel, socket.socket)
    channel.setsockopt(SOL_NETLINK, NETLINK_ADD_MEMBERSHIP, group)


class Nl80211Reader:
    """Reads the link on Linux. Raises ImportError, when it is made, where pyroute2 is not installed.

    open_channel: returns a socket to the kernel. join: makes a socket receive a multicast group. index_of: number of an
    interface by its name, raises OSError. is_wifi, driver_of, usb_mbps_of: what `/sys` says.
    """

    kind = SourceKind.LIVE
    name = "linux-nl80211"

    def __init__(
        self,
        names: PlaceNames,
        *,
        clock: Clock = time.monotonic,
        open_channel: Callable[[], NetlinkSocket] = open_generic_netlink,
        join: Callable[[NetlinkSocket, int], None] = join_group,
        index_of: Callable[[str], int] = socket.if_nametoindex,
        is_wifi: Callable[[str], bool] = linux_interface.is_wifi,
        driver_of: Callable[[str], str | None] = linux_interface.driver_of,
        usb_mbps_of: Callable[[str], float | None] = linux_interface.usb_mbps_of,
        system: str | None = None,
    ) -> None:
        self._names = names
        self._clock = clock
        self._open_channel = open_channel
        self._join = join
        self._index_of = index_of
        self._is_wifi = is_wifi
        self._driver_of = driver_of
        self._usb_mbps_of = usb_mbps_of
        self._system = system or f"{platform.system()} {platform.release()}".strip()
        self._messages = load_messages()
        self._source = Source(self.kind, self.name, "linux")
        self._requests: Requests | None = None
        self._family: tuple[int, dict[str, int]] | None = None
        self._survey_is_cheap = True
        self._survey_was_slow = False
        self._before: Observation | None = None

    def capabilities(self) -> Mapping[str, Reason | None]:
        """All but power save (asked before and after) can be told by drivers that want to."""
        return {name: Reason.NOT_SAMPLED if name == "power_save" else None for name in SAMPLE_FIELDS}

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        """Read the link now."""
        at_s = self._clock()
        raw = self.observe(interface, deadline_s)
        end_s = self._clock()
        sample = decode_sample(raw, Moment(self._source, interface, at_s, end_s), self._names, self._before)
        self._before = raw
        return sample

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        """Read power save, transmit power and driver."""
        at_s = self._clock()
        raw = self.observe_facts(interface, deadline_s)
        return decode_facts(raw, Moment(self._source, interface, at_s, self._clock()))

    def observe(self, interface: str, deadline_s: float) -> Observation:
        """Ask the kernel and return its answer undecoded (see `nl80211_decode.py`)."""
        face = self._one(Command.GET_INTERFACE, Command.NEW_INTERFACE, interface, deadline_s)
        if "error" in face:
            return {"interface": face, "stations": face}
        raw: Observation = {
            "interface": face,
            "stations": self._many(Command.GET_STATION, Command.NEW_STATION, interface, deadline_s),
        }
        if self._survey_is_cheap:
            began_s = self._clock()
            raw["survey"] = self._many(Command.GET_SURVEY, Command.NEW_SURVEY_RESULTS, interface, deadline_s)
            slow = self._clock() - began_s > SURVEY_LIMIT_S
            refused = isinstance(raw["survey"], dict)
            self._survey_is_cheap = not refused and not (slow and self._survey_was_slow)
            self._survey_was_slow = slow
        return raw

    def observe_facts(self, interface: str, deadline_s: float) -> Observation:
        """Ask for the slow facts and return the answer undecoded."""
        return {
            "interface": self._one(Command.GET_INTERFACE, Command.NEW_INTERFACE, interface, deadline_s),
            "power_save": self._one(Command.GET_POWER_SAVE, Command.GET_POWER_SAVE, interface, deadline_s),
            "driver": self._driver_of(interface),
            "usb_mbps": self._usb_mbps_of(interface),
            "system": self._system,
        }

    def events(self, interface: str) -> Nl80211Events | None:
        """Join the kernel's groups; None where that cannot be done. Has a socket of its own, so that events may be
        waited for in another thread than the one that samples."""
        channel = None
        try:
            index = self._index_of(interface)
            channel = self._open_channel()
            family, groups = self._ask_family(Requests(channel, self._clock), self._clock() + FAMILY_LIMIT_S)
        except (OSError, NetlinkRefused, NetlinkGarbled, ValueError):
            if channel is not None:
                channel.close()
            return None
        try:
            for name in GROUPS:
                self._join(channel, groups[name])
        except (OSError, KeyError):
            channel.close()
            return None
        return Nl80211Events(
            channel,
            family=family,
            index=index,
            interface=interface,
            messages=self._messages,
            names=self._names,
            source=self._source,
            clock=self._clock,
        )

    def close(self) -> None:
        """Close the socket."""
        self._forget()

    def _one(self, command: Command, answer: Command, interface: str, deadline_s: float) -> dict[str, Any]:
        found = self._asked(command, answer, interface, deadline_s, many=False)
        if isinstance(found, dict):
            return found
        return found[0] if found else {"error": Reason.NOT_REPORTED_BY_DRIVER.value}

    def _many(self, command: Command, answer: Command, interface: str, deadline_s: float) -> Any:
        return self._asked(command, answer, interface, deadline_s, many=True)

    def _asked(
        self, command: Command, answer: Command, interface: str, deadline_s: float, *, many: bool
    ) -> list[dict[str, Any]] | dict[str, Any]:
        """Return the attributes of every message of the answer, or {"error": reason}."""
        try:
            index = self._index_of(interface)
        except OSError:
            return {"error": Reason.NO_SUCH_INTERFACE.value}
        try:
            family, _ = self._known_family(deadline_s)
            requests = self._connected()
            ask = requests.dump if many else requests.ask

            def encode(kind: int, flags: int, sequence: int) -> bytes:
                return self._messages.request(command, {"IFINDEX": index}, kind, flags, sequence)

            decoded = [self._messages.plain(message) for message in ask(family, encode, deadline_s)]
        except (OSError, NetlinkRefused, NetlinkGarbled, ValueError) as problem:
            if isinstance(problem, OSError) and not isinstance(problem, TimeoutError):
                self._forget()
            reason = reason_of(problem)
            if reason is Reason.NO_SUCH_INTERFACE and not self._is_wifi(interface):
                reason = Reason.NOT_WIFI
            return {"error": reason.value}
        return [attributes for got, attributes in decoded if got == answer]

    def _connected(self) -> Requests:
        if self._requests is None:
            self._requests = Requests(self._open_channel(), self._clock)
        return self._requests

    def _known_family(self, deadline_s: float) -> tuple[int, dict[str, int]]:
        if self._family is None:
            self._family = self._ask_family(self._connected(), deadline_s)
        return self._family

    def _ask_family(self, requests: Requests, deadline_s: float) -> tuple[int, dict[str, int]]:
        def encode(kind: int, flags: int, sequence: int) -> bytes:
            return self._messages.family_request(FAMILY, kind, flags, sequence)

        answer = requests.ask(GENL_ID_CTRL, encode, deadline_s)
        if not answer:
            raise NetlinkGarbled("no answer to the question for the family")
        return self._messages.family(answer[0])

    def _forget(self) -> None:
        if self._requests is not None:
            self._requests.close()
        self._requests, self._family = None, None
