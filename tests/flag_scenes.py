"""One attempt in which all is well and everything is told, for tests that change one thing about it.

Load from 100 to 111.5 s, window from 101.1 to 111.1 s of the agent's clock, link and host once a second. Nothing in it
raises a flag, and nothing is unknown. May import sitetest, sitetest_wire and bookshop_visit only.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from bookshop_visit import attempt, bookshop_plan

from sitetest.engines.base import TransferResult, TransferSpec
from sitetest.engines.window import Window
from sitetest.observe.host import HostSample
from sitetest.observe.interface import InterfaceFacts, InterfaceKind
from sitetest.observe.link.draft import Draft
from sitetest.observe.link.events import LinkEvent, LinkEventKind
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample, Moment, Source, SourceKind
from sitetest.observe.link.sampler import LinkLog
from sitetest.observe.observed import Observed
from sitetest.store.records import AttemptRecord
from sitetest.visit.scene import Earlier, Scene
from sitetest_wire.messages import ServerHost, ServerSecond
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

SOURCE = Source(SourceKind.LIVE, "made-up", "linux")
HOME, AWAY = "ap-00000001", "ap-00000002"
SPEC = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=1.0, duration_s=10.0)
START_S, WINDOW = 100.0, Window(101.1, 111.1)
SECONDS = range(98, 115)
IN_WINDOW = range(102, 112)
"""Seconds of the clock at which a link sample lies inside the window."""

RATE_MBPS = 400.0
BYTES_A_SECOND = round(RATE_MBPS * 1e6 / 8)
WIRE_BYTES_A_SECOND = round(BYTES_A_SECOND * 1514 / 1448)

Fields = Mapping[str, Any]


def link_sample(at_s: float, changes: Fields, reason: Reason = Reason.NOT_REPORTED_BY_DRIVER) -> LinkSample:
    """Return a link sample; a field that is None has that reason. links: list of fields of each."""
    seconds = round(at_s - START_S)
    fields: dict[str, Any] = {
        "associated": True, "ssid": "ssid-1", "bssid": HOME, "mlo": False, "freq_mhz": 5180, "centre_mhz": 5210.0,
        "width_mhz": 80, "punctured": 0, "rssi_dbm": -52 - seconds % 2, "rssi_avg_dbm": -52, "busy_pct": 20.0,
        "phy": "HE", "tx.mbps": 1080.9, "tx.width_mhz": 80, "rx.mbps": 1200.9, "rx.width_mhz": 80,
        "retries": 100 * (seconds + 50), "tx_packets": 10_000 * (seconds + 50), "connected_s": 300.0 + seconds,
        "associated_at_s": 5000.0, "power_save": False, "links": [], **changes,
    }  # fmt: skip
    draft = Draft()
    moment = Moment(SOURCE, "wlan0", at_s, at_s + 0.001)
    if not fields["associated"]:
        draft.put("associated", fields["associated"], reason)
        return draft.sample(moment, Reason.NOT_ASSOCIATED)
    links = fields.pop("links")
    draft.channel(fields.pop("freq_mhz"), fields.pop("width_mhz"), fields.pop("centre_mhz"))
    draft.links = None if links is None else [_link(one) for one in links]
    for path, value in fields.items():
        draft.put(path, value, reason)
    return draft.sample(moment, reason)


def _link(fields: Fields) -> Draft:
    draft = Draft()
    for path, value in fields.items():
        draft.put(path, value)
    return draft


def host_sample(at_s: float, **changes: Any) -> HostSample:
    """Return a host sample that covers the second before ``at_s``."""
    sample = HostSample(
        at_s=at_s, length_s=1.0, busiest_core_pct=40.0, mean_core_pct=20.0, agent_pct=15.0,
        received_bytes=WIRE_BYTES_A_SECOND, sent_bytes=0, plugged=True, battery_pct=80.0, saver=False, slept_s=0.0,
        events=(), cost_ms=0.3,
    )  # fmt: skip
    return replace(sample, **changes)


def interface(**changes: Any) -> InterfaceFacts:
    """Return the facts of a Wi-Fi interface that is no USB adapter."""
    facts = InterfaceFacts(
        name="wlan0", kind=InterfaceKind.WIFI, speed_mbps=None, duplex=None, mtu=1500, usb_mbps=None,
        carrier_changes=2, eee=None, driver="made-up", driver_version=None, firmware_version=None,
        why={"usb_mbps": "not_usb"},
    )  # fmt: skip
    return replace(facts, **changes)


CABLE = interface(name="eth0", kind=InterfaceKind.ETHERNET, speed_mbps=1000, duplex="full", eee=False)
"""The laptop's end of a cable."""


def transfer(rate_mbps: float = RATE_MBPS, **changes: Any) -> TransferResult:
    """Return a steady download; the server's machine is told second by second."""
    bytes_a_second = rate_mbps * 1e6 / 8 / SPEC.streams

    def samples(counted: CountedAs) -> tuple[Sample, ...]:
        return tuple(Sample(n / 10, (round(n / 10 * bytes_a_second),) * SPEC.streams, counted) for n in range(113))

    on_wire = round(rate_mbps * 1e6 / 8 * 1514 / 1448)
    seconds = tuple(ServerSecond(n + 0.1, 1.0, 30.0, 15.0, 0, on_wire) for n in range(1, 12))
    result = TransferResult(
        SPEC,
        receiver=samples(CountedAs.RECEIVED),
        sender=samples(CountedAs.ACKED),
        congestion_control="cubic",
        local_address="192.0.2.10",
        remote_address="192.0.2.2",
        mss_bytes=1448,
        server_host=ServerHost("eth0", 1000, "full", seconds),
    )
    return replace(result, **changes)


def first_attempt(**changes: Any) -> AttemptRecord:
    """Return the first counted attempt of the same case: alike in everything."""
    facts: dict[str, Any] = {
        "rssi_dbm": -52.5, "power_save": False, "plugged": True, "bssid_label": HOME, "band": "5", "channel": 36,
        "width_mhz": 80, "congestion_control": "cubic", "mss_bytes": 1448, "interface_kind": "wifi",
        "server_link_mbps": 1000, "link_mbps": None, **changes,
    }  # fmt: skip
    return attempt(bookshop_plan().slots[0], **facts)


def log(per_second: Callable[[int], Fields] | None = None, **changes: Any) -> LinkLog:
    """Return a link log. per_second: what differs at each second of the clock."""
    told = per_second or (lambda _: {})
    samples = tuple(link_sample(float(second), told(second)) for second in SECONDS)
    return replace(LinkLog(samples, (), True, 0.6, 1.1, 1.0, ()), **changes)


def event(at_s: float, kind: LinkEventKind, **fields: Any) -> LinkEvent:
    """Return something that the system told."""
    return LinkEvent(at_s, kind, SOURCE, "wlan0", **fields)


def observed(**changes: Any) -> Observed:
    """Return what the observers of a good attempt wrote down."""
    seen = Observed(
        load_from_s=START_S,
        load_until_s=111.5,
        interface=interface(),
        interface_after=interface(),
        link=log(),
        host=tuple(host_sample(START_S + 0.4 + second) for second in range(1, 13)),
    )
    return replace(seen, **changes)


def scene(**changes: Any) -> Scene:
    """Return the attempt in which all is well. Fields of Observed may be given beside those of Scene."""
    seen = {name: changes.pop(name) for name in tuple(changes) if name in Observed.__dataclass_fields__}
    well = Scene(
        result=transfer(),
        observed=observed(**seen),
        window=WINDOW,
        earlier=Earlier(first_attempt(), first_attempt()),
    )
    return replace(well, **changes)
