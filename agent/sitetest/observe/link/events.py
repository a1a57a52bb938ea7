"""What happened to the link between two samples, where the system tells: roams, channel switches, background scans.

May import the standard library and its neighbours only.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, Protocol

from sitetest.observe.link.record import Source, SourceKind


class LinkEventKind(StrEnum):
    """What happened. ``EVENTS_LOST``: the kernel dropped some, so that "no roam seen" proves nothing any more."""

    ROAMED = "roamed"
    CONNECTED = "connected"
    CONNECT_FAILED = "connect_failed"
    DISCONNECTED = "disconnected"
    CHANNEL_SWITCH_STARTED = "channel_switch_started"
    CHANNEL_SWITCHED = "channel_switched"
    SCAN_STARTED = "scan_started"
    SCAN_FINISHED = "scan_finished"
    SCAN_ABORTED = "scan_aborted"
    INTERFACE_GONE = "interface_gone"
    EVENTS_LOST = "events_lost"


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """at_s: monotonic clock when it was received. bssid: label of the new access point. freq_mhz, width_mhz: of the new
    channel. code: status or reason code of IEEE 802.11. None: the event does not say."""

    at_s: float
    kind: LinkEventKind
    source: Source
    interface: str
    bssid: str | None = None
    freq_mhz: int | None = None
    width_mhz: int | None = None
    code: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the event as a JSON-ready mapping."""
        body = asdict(self)
        body["kind"] = self.kind.value
        body["source"]["kind"] = self.source.kind.value
        return body

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> "LinkEvent":
        """Read what :meth:`to_json` wrote. Raises ValueError for anything else."""
        try:
            source = body["source"]
            return cls(
                **{
                    **body,
                    "kind": LinkEventKind(body["kind"]),
                    "source": Source(SourceKind(source["kind"]), source["reader"], source["os"]),
                }
            )
        except (KeyError, TypeError) as problem:
            raise ValueError(f"not a link event: {problem!r}") from problem


class EventSource(Protocol):
    """Where events come from. Never raises."""

    def wait(self, limit_s: float) -> tuple[LinkEvent, ...]:
        """Return what has happened; wait up to ``limit_s`` for something to happen. Empty when nothing did."""

    def close(self) -> None:
        """Give up the connection. May be called twice."""
