"""What the kernel says by itself about the link: its multicast groups `mlme` and `scan`.

May import the standard library and its neighbours only.
"""

import errno
from collections.abc import Mapping
from typing import Any

from sitetest.observe.link.events import LinkEvent, LinkEventKind
from sitetest.observe.link.generic_netlink import RECEIVE_BYTES, NetlinkGarbled, NetlinkSocket, messages_in
from sitetest.observe.link.nl80211_messages import Messages
from sitetest.observe.link.nl80211_numbers import WIDTH_MHZ, Command
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.plausible import plausible
from sitetest.observe.link.reader import Clock
from sitetest.observe.link.record import Moment, Source

KINDS = {
    Command.ROAM: LinkEventKind.ROAMED,
    Command.CONNECT: LinkEventKind.CONNECTED,
    Command.DISCONNECT: LinkEventKind.DISCONNECTED,
    Command.CH_SWITCH_STARTED_NOTIFY: LinkEventKind.CHANNEL_SWITCH_STARTED,
    Command.CH_SWITCH_NOTIFY: LinkEventKind.CHANNEL_SWITCHED,
    Command.TRIGGER_SCAN: LinkEventKind.SCAN_STARTED,
    Command.NEW_SCAN_RESULTS: LinkEventKind.SCAN_FINISHED,
    Command.SCAN_ABORTED: LinkEventKind.SCAN_ABORTED,
}


def decode_event(
    command: int, attributes: Mapping[str, Any], index: int, names: PlaceNames, moment: Moment
) -> LinkEvent | None:
    """Return the event of a message; None when it is about another interface or about nothing of interest.

    index: number of the interface. Pure; never raises.
    """
    kind = next((kind for number, kind in KINDS.items() if number == command), None)
    if kind is None or attributes.get("IFINDEX") != index:
        return None
    code = attributes.get("REASON_CODE" if kind is LinkEventKind.DISCONNECTED else "STATUS_CODE")
    if kind is LinkEventKind.CONNECTED and isinstance(code, int) and code != 0:
        kind = LinkEventKind.CONNECT_FAILED
    freq_mhz, width = attributes.get("WIPHY_FREQ"), attributes.get("CHANNEL_WIDTH")
    address = attributes.get("MAC")
    bssid = None
    if isinstance(address, str) and kind in (LinkEventKind.ROAMED, LinkEventKind.CONNECTED):
        try:
            bssid = names.bssid(address)
        except ValueError:
            bssid = None
    return LinkEvent(
        at_s=moment.at_s,
        kind=kind,
        source=moment.source,
        interface=moment.interface or "",
        bssid=bssid,
        freq_mhz=freq_mhz if isinstance(freq_mhz, int) and plausible("freq_mhz", freq_mhz) else None,
        width_mhz=WIDTH_MHZ.get(width) if isinstance(width, int) else None,
        code=code if isinstance(code, int) and not isinstance(code, bool) else None,
    )


class Nl80211Events:
    """Events of one interface from a socket that has joined the groups."""

    def __init__(
        self,
        channel: NetlinkSocket,
        *,
        family: int,
        index: int,
        interface: str,
        messages: Messages,
        names: PlaceNames,
        source: Source,
        clock: Clock,
    ) -> None:
        self._channel = channel
        self._family = family
        self._index = index
        self._interface = interface
        self._messages = messages
        self._names = names
        self._source = source
        self._clock = clock
        self._lost = False

    def wait(self, limit_s: float) -> tuple[LinkEvent, ...]:
        """Return the events of the next datagram. After an overrun, or when the socket broke, the kernel's silence says
        nothing: that is an event of its own (said once for a broken socket)."""
        if self._lost:
            return ()
        try:
            self._channel.settimeout(max(limit_s, 0.001))
            datagram = self._channel.recv(RECEIVE_BYTES)
        except TimeoutError:
            return ()
        except OSError as problem:
            self._lost = problem.errno != errno.ENOBUFS
            return (self._event(LinkEventKind.EVENTS_LOST),)
        if not datagram:
            self._lost = True
            return (self._event(LinkEventKind.EVENTS_LOST),)
        return self._decoded(datagram)

    def close(self) -> None:
        """Leave the groups by closing the socket."""
        self._lost = True
        self._channel.close()

    def _decoded(self, datagram: bytes) -> tuple[LinkEvent, ...]:
        now_s = self._clock()
        moment = Moment(self._source, self._interface, now_s, now_s)
        found: list[LinkEvent] = []
        try:
            for kind, _, _, message in messages_in(datagram):
                if kind != self._family:
                    continue
                command, attributes = self._messages.plain(message)
                event = decode_event(command, attributes, self._index, self._names, moment)
                if event is not None:
                    found.append(event)
        except (NetlinkGarbled, ValueError):
            found.append(self._event(LinkEventKind.EVENTS_LOST))
        return tuple(found)

    def _event(self, kind: LinkEventKind) -> LinkEvent:
        return LinkEvent(self._clock(), kind, self._source, self._interface)
