"""The link record: what a reader saw at one instant. One a second; the same fields on every operating system.

Promise, kept by the constructor: a field has a plausible value, or it is None and `why` has its path and a
:class:`Reason`. Never 0, "", -1 or "N/A" for "not known". `derived` lists what was computed from other readings instead
of read; `band`, `channel` and `dfs` are arithmetic on the frequency by definition and are not listed, except where the
frequency itself was computed. `tx` and `rx` are the laptop's view: tx is upload.

May import the standard library and its neighbours only.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from enum import StrEnum
from typing import Any, TypeVar

from sitetest.observe.link.explained import check
from sitetest.observe.link.reasons import Reason


class SourceKind(StrEnum):
    """Where a record comes from. Set by the class of the reader, never by an option: a simulated radio cannot be
    reported as a measured one."""

    LIVE = "live"
    RECORDED = "recorded"
    SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class Source:
    """reader: name of the reader. os: `linux`, `darwin` or `win32`, as Python says it."""

    kind: SourceKind
    reader: str
    os: str


@dataclass(frozen=True, slots=True)
class Moment:
    """What every record of a reader begins with. interface: None where none is known. at_s, end_s: monotonic clock
    before and after the asking."""

    source: Source
    interface: str | None
    at_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class FrameRate:
    """PHY rate of the last frame in one direction. width_mhz: of that frame, which may be narrower than the channel.
    mcs: as the system counts it (HT: 0 to 31, streams included). gi_ns: guard interval. phy: `legacy` or `HT` to `UHR`.
    """

    mbps: float | None
    mcs: int | None
    nss: int | None
    width_mhz: int | None
    gi_ns: int | None
    phy: str | None


@dataclass(frozen=True, slots=True)
class RadioLink:
    """One link of a multi-link (Wi-Fi 7) connection. link_id: 0 to 15. bssid: of the access point on this link, as a
    label. Other fields as in :class:`LinkSample`."""

    link_id: int | None
    bssid: str | None
    band: str | None
    channel: int | None
    freq_mhz: int | None
    centre_mhz: float | None
    width_mhz: int | None
    punctured: int | None
    rssi_dbm: float | None
    tx: FrameRate | None
    rx: FrameRate | None


SAMPLE_FACTS = frozenset({"at_s", "end_s", "source", "why", "derived", "cost_ms"})
"""Fields of a sample that always have a value."""


@dataclass(frozen=True, slots=True)
class LinkSample:
    """The link at one instant.

    at_s, end_s: monotonic clock before and after the asking. cost_ms: what the asking took, in milliseconds.
    ssid, bssid: labels, unless full names were asked for; under multi-link, bssid is the address of the whole access
    point and each link has its own. freq_mhz: centre of the primary 20 MHz channel. centre_mhz: centre of the whole
    channel (of its first part at 80+80). width_mhz: operating width of the channel. punctured: bit mask of punctured
    20 MHz sub-channels. dfs: the channel touches frequencies where radar rules are usual. rssi_dbm: the best single
    reading; rssi_avg_dbm: the driver's running average; beacon_rssi_dbm: of beacons only. noise_dbm: noise floor.
    busy_pct: share of the last second in which the channel was busy. phy: generation of the association. retries,
    tx_failed, tx_packets, beacon_loss: counters since the association. connected_s: age of the association;
    associated_at_s: its start on the clock that runs on in sleep. power_save: Wi-Fi power save is on. links: of a
    multi-link connection, else empty.
    """

    at_s: float
    end_s: float
    source: Source
    interface: str | None
    associated: bool | None
    ssid: str | None
    bssid: str | None
    mlo: bool | None
    band: str | None
    channel: int | None
    freq_mhz: int | None
    centre_mhz: float | None
    width_mhz: int | None
    punctured: int | None
    dfs: bool | None
    rssi_dbm: float | None
    rssi_avg_dbm: float | None
    beacon_rssi_dbm: float | None
    noise_dbm: float | None
    busy_pct: float | None
    phy: str | None
    tx: FrameRate | None
    rx: FrameRate | None
    retries: int | None
    tx_failed: int | None
    tx_packets: int | None
    beacon_loss: int | None
    connected_s: float | None
    associated_at_s: float | None
    power_save: bool | None
    links: tuple[RadioLink, ...] | None
    cost_ms: float
    why: Mapping[str, Reason] = field(default_factory=dict)
    derived: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.end_s < self.at_s or self.cost_ms < 0:
            raise ValueError(f"a sample cannot end ({self.end_s}) before it began ({self.at_s})")
        check(self, self.why, self.derived, SAMPLE_FACTS)

    def to_json(self) -> dict[str, Any]:
        """Return the sample as a JSON-ready mapping in which every field exists."""
        return to_json(self)

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> "LinkSample":
        """Read what :meth:`to_json` wrote. Raises ValueError for anything else."""
        return from_json(cls, body)


FACTS_FACTS = frozenset({"at_s", "source", "why", "derived"})
"""Fields of :class:`LinkFacts` that always have a value."""


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """Slow facts: asked before and after a run, never during one.

    power_save: Wi-Fi power save is on. tx_power_dbm: of the laptop's radio. country: code of the regulatory setting.
    driver: name of the Wi-Fi driver. usb_mbps: speed of the USB port that the radio hangs on. system: operating system
    and its version. tx: a rate whose parts were all read at the same instant.
    """

    at_s: float
    source: Source
    interface: str | None
    power_save: bool | None
    tx_power_dbm: float | None
    country: str | None
    driver: str | None
    usb_mbps: float | None
    system: str | None
    tx: FrameRate | None
    why: Mapping[str, Reason] = field(default_factory=dict)
    derived: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check(self, self.why, self.derived, FACTS_FACTS)

    def to_json(self) -> dict[str, Any]:
        """Return the facts as a JSON-ready mapping in which every field exists."""
        return to_json(self)

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> "LinkFacts":
        """Read what :meth:`to_json` wrote. Raises ValueError for anything else."""
        return from_json(cls, body)


_Record = TypeVar("_Record", LinkSample, LinkFacts)


def to_json(record: LinkSample | LinkFacts) -> dict[str, Any]:
    """Return a record as plain JSON types."""
    body = asdict(record)
    body["source"]["kind"] = record.source.kind.value
    body["why"] = {path: reason.value for path, reason in record.why.items()}
    body["derived"] = list(record.derived)
    if "links" in body and body["links"] is not None:
        body["links"] = list(body["links"])
    return body


def from_json(kind: type[_Record], body: Mapping[str, Any]) -> _Record:
    """Read a record of ``kind`` from JSON types. Raises ValueError when it is not one."""
    try:
        names = {field.name for field in fields(kind)}
        if set(body) != names:
            raise ValueError(f"fields that differ: {sorted(names ^ set(body))}")
        values = dict(body)
        source = body["source"]
        values["source"] = Source(SourceKind(source["kind"]), source["reader"], source["os"])
        values["why"] = {path: Reason(reason) for path, reason in body["why"].items()}
        values["derived"] = tuple(body["derived"])
        values |= {way: FrameRate(**body[way]) for way in ("tx", "rx") if body.get(way) is not None}
        if body.get("links") is not None:
            values["links"] = tuple(_link_from_json(link) for link in body["links"])
        return kind(**values)
    except (KeyError, TypeError, AttributeError) as problem:
        raise ValueError(f"not a link record: {problem!r}") from problem


def _link_from_json(body: Mapping[str, Any]) -> RadioLink:
    rates = {way: FrameRate(**body[way]) for way in ("tx", "rx") if body[way] is not None}
    return RadioLink(**{**body, **rates})
