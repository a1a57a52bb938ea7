"""Every row of the flag table: raised at its threshold, not just below it, unknown when nobody tells.

The scene that all start from raises nothing and leaves nothing unknown, so that each test shows what its one change
does, and that it does nothing else.
"""

import ast
import inspect
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import flag_scenes as made
import pytest
from bookshop_visit import bookshop_plan
from flag_scenes import (
    AWAY,
    CABLE,
    HOME,
    event,
    first_attempt,
    host_sample,
    interface,
    link_sample,
    log,
    observed,
    scene,
    transfer,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.ceilings.channels import may_need_radar_check
from sitetest.observe.clocks import ClockEvent, ClockEventKind
from sitetest.observe.interface import InterfaceKind
from sitetest.observe.link.draft import empty_facts
from sitetest.observe.link.events import LinkEventKind
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import Moment, SourceKind
from sitetest.observe.link.sampler import LinkLog
from sitetest.observe.observed import NOTHING
from sitetest.store.records import Flag, Status
from sitetest.visit import flag_table, radio_flags, validity, wire_flags
from sitetest.visit.expected_radio import ExpectedRadio
from sitetest.visit.flag_table import ROWS, TABLE, Severity
from sitetest.visit.flags import OTHERS, RADIO, Confounders, confounders, weighed
from sitetest.visit.flags_page import flags_page
from sitetest.visit.scene import Earlier, Scene
from sitetest.visit.validity import Judgement
from sitetest_wire.messages import ServerHost, ServerSecond
from sitetest_wire.words import Direction

K = LinkEventKind
DECLARED = ExpectedRadio("auto", "counter", band="5", channel=36, width_mhz=80, bssids=frozenset({HOME}))
NO_EVENTS: Mapping[str, Any] = {"events_available": False}


def found(seen: Scene) -> tuple[dict[str, str], tuple[str, ...]]:
    """Names with severities, and what is unknown."""
    result = confounders(seen)
    return {flag.name: flag.severity for flag in result.flags}, result.unknown


def from_second(second: int, **fields: Any) -> LinkLog:
    """A link log in which these fields hold from a second of the clock on."""
    return log(lambda at: fields if at >= second else {})


def in_seconds(count: int, **fields: Any) -> LinkLog:
    """A link log in which these fields hold in the last seconds of the window only."""
    chosen = list(made.IN_WINDOW)[-count:] if count else []
    return log(lambda at: fields if at in chosen else {})


def never_told(*fields: str, reason: Reason = Reason.NOT_REPORTED_BY_DRIVER, **changes: Any) -> LinkLog:
    samples = tuple(link_sample(float(at), dict.fromkeys(fields), reason) for at in made.SECONDS)
    return replace(log(), samples=samples, **changes)


def host(changed: int = 0, **fields: Any) -> dict[str, Any]:
    """Host samples of which the first ``changed`` inside the window have these fields."""
    seconds = range(1, 13)
    return {
        "host": tuple(
            host_sample(100.4 + second, **(fields if 1 < second <= 1 + changed else {})) for second in seconds
        )
    }


def earlier(**fields: Any) -> dict[str, Any]:
    record = first_attempt(**fields)
    return {"earlier": Earlier(record, record)}


def server(**fields: Any) -> dict[str, Any]:
    told = transfer().server_host
    assert told is not None
    return {"result": transfer(server_host=replace(told, **fields))}


def server_seconds(**fields: Any) -> tuple[ServerSecond, ...]:
    told = transfer().server_host
    assert told is not None
    return tuple(replace(second, **fields) for second in told.seconds)


MBIT = 125_000
"""Bytes a second in 1 Mbit/s."""

ALLOWED_MBPS = 0.05 * 400 + 1 + 400 * 0.2 / 9
"""5 % and 1 Mbit/s (sitetest_wire.interface_traffic), and 0.1 s of payload at each end of the nine seconds of the host
record that lie wholly inside the window."""


def with_others(mbps: float) -> dict[str, Any]:
    return host(10, received_bytes=round(made.WIRE_BYTES_A_SECOND + mbps * MBIT))


LINKS = [{"link_id": 0, "freq_mhz": 5180}, {"link_id": 1, "freq_mhz": 6135}]
RATE = "rx.mbps"

CASES: list[tuple[str, str, dict[str, Any], dict[str, str]]] = [
    # what happens                     row                 the change                        flags, and nothing else
    ("the declared radio", "wrong_radio", {"expected": DECLARED}, {}),
    ("another band", "wrong_radio", {"expected": replace(DECLARED, band="6")}, {"wrong_radio": "invalid"}),
    ("another channel", "wrong_radio", {"expected": replace(DECLARED, channel=40)}, {"wrong_radio": "invalid"}),
    ("another BSSID", "wrong_radio", {"expected": replace(DECLARED, bssids=frozenset({AWAY}))},
     {"wrong_radio": "invalid"}),
    ("wider than declared", "wrong_radio", {"expected": replace(DECLARED, width_mhz=40)}, {"wrong_radio": "invalid"}),
    ("went on all the same", "wrong_radio", {"expected": replace(DECLARED, band="6"), "accepted": "it is on 5 GHz"},
     {"wrong_radio": "doubt"}),
    ("1 of 10 s elsewhere", "wrong_radio", {"expected": replace(DECLARED, channel=None, width_mhz=None, band=None),
     "earlier": Earlier(), "link": in_seconds(1, bssid=AWAY)}, {"roamed": "doubt"}),
    ("2 of 10 s elsewhere", "wrong_radio", {"expected": replace(DECLARED, channel=None, width_mhz=None, band=None),
     "earlier": Earlier(), "link": in_seconds(2, bssid=AWAY)}, {"roamed": "invalid", "wrong_radio": "invalid"}),
    ("1 of 10 s elsewhere", "roamed", {"link": in_seconds(1, bssid=AWAY)}, {"roamed": "doubt"}),
    ("2 of 10 s elsewhere", "roamed", {"link": in_seconds(2, bssid=AWAY)}, {"roamed": "invalid"}),
    ("roam in the warm-up", "roamed",
     {"link": log(lambda at: {"bssid": AWAY} if at <= 101 else {})}, {"roamed": "doubt"}),
    ("roam before the load", "roamed", {"link": log(lambda at: {"bssid": AWAY} if at < 100 else {})}, {}),
    ("there and back, told", "roamed", {"link": log(events=(event(105.2, K.ROAMED, bssid=AWAY),))},
     {"roamed": "doubt"}),
    ("connected elsewhere", "roamed", {"link": log(events=(event(105.2, K.CONNECTED, bssid=AWAY),))},
     {"roamed": "doubt"}),
    ("same one, connected", "reassociated", {"link": log(events=(event(105.2, K.CONNECTED, bssid=HOME),))},
     {"reassociated": "doubt"}),
    ("dropped", "reassociated", {"link": log(events=(event(105.2, K.DISCONNECTED),))}, {"reassociated": "doubt"}),
    ("a second without a link", "reassociated", {"link": in_seconds(1, associated=False)}, {"reassociated": "doubt"}),
    ("began anew, no events", "reassociated", {"link": replace(from_second(105, associated_at_s=5007.0), **NO_EVENTS)},
     {"reassociated": "doubt"}),
    ("age dropped, no events", "reassociated",
     {"link": replace(from_second(105, associated_at_s=None, connected_s=1.0), **NO_EVENTS)},
     {"reassociated": "doubt"}),
    ("jitter of the age", "reassociated", {"link": from_second(105, associated_at_s=5001.9)}, {}),
    ("band for 1 of 10 s", "band_changed", {"link": in_seconds(1, freq_mhz=2437, centre_mhz=2437, width_mhz=80)},
     {"band_changed": "doubt", "channel_moved": "doubt"}),
    ("band for 2 of 10 s", "band_changed", {"link": in_seconds(2, freq_mhz=2437, centre_mhz=2437, width_mhz=80)},
     {"band_changed": "invalid", "channel_moved": "doubt"}),
    ("band of the first", "band_changed", earlier(band="2.4"), {"band_changed": "doubt"}),
    ("radio of the first", "radio_changed", earlier(bssid_label=AWAY), {"radio_changed": "doubt"}),
    ("both its own", "radio_changed",
     earlier(bssid_label=AWAY) | {"expected": ExpectedRadio("auto", "counter", bssids=frozenset({HOME, AWAY}))},
     {"radio_changed": "note"}),
    ("channel of the first", "radio_changed", earlier(channel=40), {"radio_changed": "note"}),
    ("no first yet", "radio_changed", {"earlier": Earlier()}, {}),
    ("narrows", "width_fallback", {"link": from_second(105, width_mhz=40, **{"rx.width_mhz": 40})},
     {"width_fallback": "doubt"}),
    ("widens", "width_fallback", {"link": from_second(105, width_mhz=160), "earlier": Earlier()},
     {"narrow_frames": "note"}),
    ("narrower than declared", "width_fallback", {"expected": replace(DECLARED, width_mhz=160)},
     {"width_fallback": "doubt"}),
    ("narrower than the first", "width_fallback", earlier(width_mhz=160), {"width_fallback": "doubt"}),
    ("frames, 2 of 10 s", "narrow_frames", {"link": in_seconds(2, **{"rx.width_mhz": 40})}, {}),
    ("frames, 3 of 10 s", "narrow_frames", {"link": in_seconds(3, **{"rx.width_mhz": 40})}, {"narrow_frames": "note"}),
    ("frames the other way", "narrow_frames", {"link": in_seconds(3, **{"tx.width_mhz": 40})}, {}),
    ("punctured", "punctured", {"link": from_second(105, punctured=0b0100)}, {"punctured": "note"}),
    ("a punctured link", "punctured", {"link": from_second(90, links=[{"link_id": 0, "punctured": 1}])},
     {"punctured": "note"}),
    ("channel, same name", "channel_moved", {"link": from_second(108, freq_mhz=5500)}, {"channel_moved": "doubt"}),
    ("channel, told", "channel_moved", {"link": log(events=(event(105.2, K.CHANNEL_SWITCHED, freq_mhz=5500),))},
     {"channel_moved": "doubt"}),
    ("only the width, told", "channel_moved", {"link": log(events=(event(105.2, K.CHANNEL_SWITCHED, freq_mhz=5180),))},
     {}),
    ("announced", "channel_moved", {"link": log(events=(event(105.2, K.CHANNEL_SWITCH_STARTED),))},
     {"channel_moved": "doubt"}),
    ("a link less", "link_set_changed", {"link": log(lambda at: {"links": LINKS[: 2 if at < 105 else 1]})},
     {"link_set_changed": "doubt"}),
    ("the same links", "link_set_changed", {"link": log(lambda _: {"links": LINKS})}, {}),
    ("scan in the window", "scanned", {"link": log(events=(event(103, K.SCAN_STARTED), event(107, K.SCAN_FINISHED)))},
     {"scanned": "doubt"}),
    ("scan over the window", "scanned", {"link": log(events=(event(99, K.SCAN_STARTED), event(113, K.SCAN_ABORTED)))},
     {"scanned": "doubt"}),
    ("scan without an end", "scanned", {"link": log(events=(event(103, K.SCAN_STARTED),))}, {"scanned": "doubt"}),
    ("scan in the warm-up", "scanned",
     {"link": log(events=(event(100.1, K.SCAN_STARTED), event(101, K.SCAN_FINISHED)))}, {}),
    ("scan afterwards", "scanned", {"link": log(events=(event(111.2, K.SCAN_STARTED), event(113, K.SCAN_FINISHED)))},
     {}),
    ("power save as before", "power_save", earlier(power_save=True) | {"link": log(lambda _: {"power_save": True})},
     {"power_save": "note"}),
    ("power save went on", "power_save", {"link": log(lambda _: {"power_save": True})}, {"power_save": "doubt"}),
    ("power save went off", "power_save", earlier(power_save=True), {"power_save": "doubt"}),
    ("6 dB", "moved_client", earlier(rssi_dbm=-46.5), {}),
    ("6.1 dB", "moved_client", earlier(rssi_dbm=-46.4), {"moved_client": "doubt"}),
    ("6.1 dB better", "moved_client", earlier(rssi_dbm=-58.6), {"moved_client": "doubt"}),
    ("one signal value", "frozen_rssi", {"link": log(lambda _: {"rssi_dbm": -52})}, {"frozen_rssi": "note"}),
    ("one second differs", "frozen_rssi", {"link": log(lambda at: {"rssi_dbm": -52 - (at == 105)})}, {}),
    ("no signal at all", "frozen_rssi", {"link": log(lambda _: {"rssi_dbm": 0}), "earlier": Earlier()},
     {"frozen_rssi": "note"}),
    ("a factor of 3", "asymmetric_rates", {"link": log(lambda _: {RATE: 3 * 1080.9})}, {"asymmetric_rates": "note"}),
    ("a factor of 2.9", "asymmetric_rates", {"link": log(lambda _: {RATE: 2.9 * 1080.9})}, {}),
    ("20 % again", "radio_retries", {"link": log(lambda at: {"retries": 2000 * (at - 50)})}, {}),
    ("21 % again", "radio_retries", {"link": log(lambda at: {"retries": 2100 * (at - 50)})}, {"radio_retries": "note"}),
    ("40 % busy", "busy_channel", {"link": log(lambda _: {"busy_pct": 40.0})}, {}),
    ("41 % busy", "busy_channel", {"link": log(lambda _: {"busy_pct": 41.0})}, {"busy_channel": "doubt"}),
    ("busy by our own load", "busy_channel", {"link": log(lambda at: {"busy_pct": 95.0} if 100 < at < 112.5 else {})},
     {}),
    ("others, just allowed", "other_traffic", with_others(ALLOWED_MBPS - 0.5), {}),
    ("others, just not", "other_traffic", with_others(ALLOWED_MBPS + 0.5), {"other_traffic": "doubt"}),
    ("others at the server", "server_traffic", server(seconds=server_seconds(received_bytes=40 * MBIT)),
     {"server_traffic": "doubt"}),
    ("a little at the server", "server_traffic", server(seconds=server_seconds(received_bytes=15 * MBIT)), {}),
    # 92 % of 941.5 Mbit/s (IEEE 802.3 framing: 1448 of 1538 bytes of gigabit Ethernet)
    ("866 of 941", "wired_ceiling", {"result": transfer(866.0), **host(11, received_bytes=0)}, {}),
    ("867 of 941", "wired_ceiling", {"result": transfer(867.0), **host(11, received_bytes=0)},
     {"wired_ceiling": "note"}),
    ("of the baseline", "wired_ceiling", {"wire_mbps": 430.0}, {"wired_ceiling": "note"}),
    ("below the baseline", "wired_ceiling", {"wire_mbps": 440.0}, {}),
    ("an old switch", "slow_wire", earlier(server_link_mbps=100) | server(speed_mbps=100),
     {"slow_wire": "note", "wired_ceiling": "note"}),
    ("half duplex", "half_duplex", server(duplex="half"), {"half_duplex": "doubt"}),
    ("another speed", "wire_changed", earlier(server_link_mbps=2500), {"wire_changed": "doubt"}),
    ("a cable, as always", "not_wifi", earlier(interface_kind="ethernet", link_mbps=1000)
     | {"interface": CABLE, "interface_after": CABLE}, {"not_wifi": "note"}),
    ("a cable, once", "not_wifi", earlier(link_mbps=1000) | {"interface": CABLE, "interface_after": CABLE},
     {"not_wifi": "invalid"}),
    ("a cable, first of all", "not_wifi", {"interface": CABLE, "interface_after": CABLE, "earlier": Earlier()},
     {"not_wifi": "note"}),
    ("a cable, not wanted", "not_wifi",
     {"interface": CABLE, "interface_after": CABLE, "earlier": Earlier(), "wifi_expected": True},
     {"not_wifi": "invalid"}),
    ("a loose plug", "link_flap", earlier(interface_kind="ethernet", link_mbps=1000)
     | {"interface": CABLE, "interface_after": replace(CABLE, carrier_changes=4)},
     {"not_wifi": "note", "link_flap": "doubt"}),
    ("energy-efficient", "eee", earlier(interface_kind="ethernet", link_mbps=1000)
     | {"interface": replace(CABLE, eee=True), "interface_after": CABLE}, {"not_wifi": "note", "eee": "note"}),
    ("a cable's half duplex", "half_duplex", earlier(interface_kind="ethernet", link_mbps=1000)
     | {"interface": replace(CABLE, duplex="half"), "interface_after": CABLE},
     {"not_wifi": "note", "half_duplex": "doubt"}),
    ("USB 2", "usb2", {"interface": interface(usb_mbps=480)}, {"usb2": "note"}),
    ("USB 3", "usb2", {"interface": interface(usb_mbps=5000)}, {}),
    # nine seconds of the host record lie wholly inside the window: 20 % is 1.8
    ("1 of 9 s above 95 %", "laptop_cpu", host(1, busiest_core_pct=96.0), {}),
    ("2 of 9 s above 95 %", "laptop_cpu", host(2, busiest_core_pct=96.0), {"laptop_cpu": "note"}),
    ("95 % itself", "laptop_cpu", host(9, busiest_core_pct=95.0), {}),
    ("server's core", "server_cpu", server(seconds=server_seconds(busiest_core_pct=96.0)), {"server_cpu": "note"}),
    ("battery as before", "on_battery", earlier(plugged=False) | host(11, plugged=False), {"on_battery": "note"}),
    ("battery, plug pulled", "on_battery", host(11, plugged=False), {"on_battery": "doubt"}),
    ("plugged in since", "on_battery", earlier(plugged=False), {"on_battery": "doubt"}),
    ("saver", "saver", host(1, saver=True), {"saver": "note"}),
    ("slept", "suspended", host(1, slept_s=4.0), {"suspended": "invalid"}),
    ("slept, by the event", "suspended", host(1, events=(ClockEvent(ClockEventKind.SUSPEND, 4.0),)),
     {"suspended": "invalid"}),
    ("stood still", "stalled_host", host(1, events=(ClockEvent(ClockEventKind.STALL, 3.5),)),
     {"stalled_host": "doubt"}),
    ("a clock that was set", "stalled_host", host(1, events=(ClockEvent(ClockEventKind.CLOCK_STEP, 3.5),)), {}),
    ("another control", "tcp_differs", earlier(congestion_control="bbr"), {"tcp_differs": "doubt"}),
    ("another segment size", "tcp_differs", earlier(mss_bytes=1220), {"tcp_differs": "doubt"}),
    ("20 ms", "reader_expensive", {"link": log(cost_median_ms=20.0)}, {}),
    ("21 ms", "reader_expensive", {"link": log(cost_median_ms=21.0)}, {"reader_expensive": "note"}),
]  # fmt: skip


def test_nothing_is_wrong_and_nothing_unknown_where_all_is_well() -> None:
    assert found(scene()) == ({}, ())


@pytest.mark.parametrize(("case", "row", "change", "flags"), CASES, ids=[f"{row[1]}: {row[0]}" for row in CASES])
def test_a_row_at_its_threshold(case: str, row: str, change: dict[str, Any], flags: dict[str, str]) -> None:
    raised, unknown = found(scene(**change))
    assert raised == flags, case
    assert row not in unknown


BLIND: list[tuple[str, dict[str, Any]]] = [
    ("wrong_radio", {"expected": DECLARED, "link": never_told("bssid")}),
    ("roamed", {"link": never_told("bssid")}),
    ("roamed", {"link": never_told("associated_at_s", "connected_s", **NO_EVENTS)}),
    ("roamed", {"link": never_told("associated_at_s", "connected_s", events=(event(105, K.EVENTS_LOST),))}),
    ("reassociated", {"link": never_told("associated_at_s", "connected_s", **NO_EVENTS)}),
    ("band_changed", {"link": never_told("freq_mhz")}),
    ("radio_changed", {"link": never_told("bssid")}),
    ("radio_changed", earlier(bssid_label=None)),
    ("width_fallback", {"link": never_told("width_mhz")}),
    ("narrow_frames", {"link": never_told("rx.width_mhz")}),
    ("punctured", {"link": never_told("punctured")}),
    ("channel_moved", {"link": never_told("freq_mhz")}),
    ("link_set_changed", {"link": never_told("links")}),
    ("scanned", {"link": log(**NO_EVENTS)}),
    ("scanned", {"link": log(events=(event(105, K.EVENTS_LOST),))}),
    ("power_save", {"link": never_told("power_save")}),
    ("moved_client", {"link": never_told("rssi_dbm")}),
    ("moved_client", earlier(rssi_dbm=None)),
    ("frozen_rssi", {"link": never_told("rssi_dbm")}),
    ("asymmetric_rates", {"link": never_told("rx.mbps")}),
    ("radio_retries", {"link": never_told("retries")}),
    ("busy_channel", {"link": never_told("busy_pct")}),
    ("other_traffic", host(11, received_bytes=None)),
    ("other_traffic", {"window": None}),
    ("server_traffic", {"result": transfer(server_host=None)}),
    ("server_traffic", {"result": transfer(sender=())}),
    ("wired_ceiling", server(speed_mbps=None)),
    ("slow_wire", server(speed_mbps=None)),
    ("half_duplex", server(duplex=None)),
    ("wire_changed", server(speed_mbps=None)),
    ("wire_changed", earlier(server_link_mbps=None)),
    ("not_wifi", {"interface": interface(kind=InterfaceKind.OTHER), "link": None}),
    ("tunnel", {"interface": None, "link": None}),
    ("link_flap", {"interface": CABLE, "interface_after": None}),
    ("eee", {"interface": replace(CABLE, eee=None), "interface_after": None}),
    ("usb2", {"interface": interface(why={})}),
    ("laptop_cpu", host(11, busiest_core_pct=None)),
    ("server_cpu", {"result": transfer(server_host=ServerHost(None, None, None, ()))}),
    ("on_battery", {"host": tuple(host_sample(101.1 + n, plugged=None) for n in range(11))}),
    ("saver", {"host": tuple(host_sample(101.1 + n, saver=None) for n in range(11))}),
    ("suspended", {"host": tuple(host_sample(101.1 + n, slept_s=None) for n in range(11))}),
    ("stalled_host", {"host": ()}),
    ("tcp_differs", {"result": transfer(congestion_control=None)}),
    ("tcp_differs", earlier(mss_bytes=None)),
    ("reader_expensive", {"link": log(cost_median_ms=None)}),
    ("permission_lost", {"link": None}),
]


@pytest.mark.parametrize(("row", "change"), BLIND, ids=[f"{row[0]}-{n}" for n, row in enumerate(BLIND)])
def test_what_nobody_tells_is_unknown_and_not_absent(row: str, change: dict[str, Any]) -> None:
    raised, unknown = found(scene(**change))
    assert row in unknown
    assert row not in raised


def test_every_row_is_raised_once_and_unknown_once() -> None:
    """A row that nothing raises is dead; tunnel and permission_lost have tests of their own below."""
    assert {name for *_, flags in CASES for name in flags} == set(TABLE) - {"tunnel", "permission_lost"}
    assert {row for row, _ in BLIND} == set(TABLE)
    assert RADIO.keys() | OTHERS.keys() == set(TABLE)
    assert RADIO.keys().isdisjoint(OTHERS.keys())


@pytest.mark.parametrize(("wanted", "severity"), [(False, "doubt"), (True, "invalid")])
def test_a_tunnel_hides_the_radio_below_it(wanted: bool, severity: str) -> None:
    """What is under a VPN is not known; what is known of the computers stays known."""
    facts = interface(name="tun0", kind=InterfaceKind.TUNNEL)
    raised, unknown = found(
        scene(interface=facts, interface_after=facts, link=None, earlier=Earlier(), wifi_expected=wanted)
    )
    assert raised == {"tunnel": severity}
    assert {"roamed", "width_fallback", "scanned"} <= set(unknown)
    assert set(unknown).isdisjoint({"laptop_cpu", "suspended", "not_wifi"})


def test_over_a_cable_the_rows_about_a_radio_do_not_apply() -> None:
    """A wired baseline is neither doubted nor full of unknowns, whatever a radio beside it does."""
    cable = {"interface": CABLE, "interface_after": CABLE, "link": None}
    raised, unknown = found(scene(**cable, expected=DECLARED, **earlier(interface_kind="ethernet", link_mbps=1000)))
    assert (raised, unknown) == ({"not_wifi": "note"}, ())


@pytest.mark.parametrize("addresses", [("127.0.0.1", "127.0.0.1"), ("::1", "::1"), ("192.0.2.10", "192.0.2.10")])
def test_a_transfer_within_one_computer_is_never_doubted(addresses: tuple[str, str]) -> None:
    """The loopback counts each byte twice and is no wire: tests and the demo must count."""
    local, remote = addresses
    facts = interface(name="lo", kind=InterfaceKind.OTHER)
    busy = host(11, received_bytes=made.WIRE_BYTES_A_SECOND, sent_bytes=made.WIRE_BYTES_A_SECOND)
    raised, unknown = found(
        scene(
            result=transfer(local_address=local, remote_address=remote, server_host=ServerHost("lo", None, None, ())),
            interface=facts,
            interface_after=facts,
            link=None,
            earlier=Earlier(),
            **busy,
        )
    )
    assert raised == {}
    assert unknown == ("other_traffic", "server_traffic", "server_cpu")


def test_the_segments_of_a_loopback_may_have_any_size() -> None:
    """Its MTU is 65536, and the kernel's segments on it are not always as large (seen: 47417 and 51120 bytes)."""
    here = transfer(local_address="127.0.0.1", remote_address="127.0.0.1", mss_bytes=47417)
    lo = interface(name="lo", kind=InterfaceKind.OTHER)
    seen = scene(result=here, interface=lo, interface_after=lo, link=None, **earlier(mss_bytes=51120))
    assert "tcp_differs" not in found(seen)[0]


def test_a_played_radio_stands_for_the_link_also_within_one_computer() -> None:
    """So that a scenario can be played over the loopback, whose own rows stay silent."""
    facts = interface(name="lo", kind=InterfaceKind.OTHER)
    told = replace(made.SOURCE, kind=SourceKind.SIMULATED)
    here = transfer(local_address="127.0.0.1", remote_address="127.0.0.1")
    for source, flags in ((told, {"roamed": "invalid"}), (made.SOURCE, {})):
        samples = tuple(replace(one, source=source) for one in in_seconds(2, bssid=AWAY).samples)
        link = replace(log(), samples=samples)
        assert found(scene(result=here, interface=facts, interface_after=facts, link=link))[0] == flags


def test_where_names_are_hidden_a_new_channel_hints_at_a_roam() -> None:
    """Without names a roam cannot be told from a channel that moved: one doubt, and the other is unknown."""
    hidden = Reason.NEEDS_LOCATION_PERMISSION
    samples = tuple(
        link_sample(float(at), {"bssid": None, "ssid": None, "freq_mhz": 5180 if at < 105 else 5745}, hidden)
        for at in made.SECONDS
    )
    raised, unknown = found(scene(link=replace(log(), samples=samples, **NO_EVENTS), earlier=Earlier()))
    assert raised == {"roamed": "doubt"}
    assert unknown == ("radio_changed", "channel_moved", "scanned")


@pytest.mark.parametrize("untold", [(), ("associated_at_s",)])
def test_without_events_an_association_that_went_on_shows_that_nothing_happened(untold: tuple[str, ...]) -> None:
    """By the instant at which it began, or by its age."""
    raised, unknown = found(scene(link=never_told(*untold, **NO_EVENTS)))
    assert (raised, unknown) == ({}, ("scanned",))


def test_an_age_that_stands_still_shows_nothing() -> None:
    """A counter that is not counted on must not pass for an unbroken association."""
    stuck = replace(log(lambda _: {"associated_at_s": None, "connected_s": 300.0}), **NO_EVENTS)
    assert found(scene(link=stuck)) == ({}, ("roamed", "reassociated", "scanned"))


def test_a_switch_that_the_system_tells_of_is_no_roam_even_without_names() -> None:
    """One of the two events is enough, on its own."""
    for kind in (K.CHANNEL_SWITCHED, K.CHANNEL_SWITCH_STARTED):
        samples = tuple(
            link_sample(float(at), {"bssid": None, "freq_mhz": 5180 if at < 105 else 5200}) for at in made.SECONDS
        )
        link = replace(log(events=(event(104.5, kind, freq_mhz=5200),)), samples=samples)
        raised, unknown = found(scene(link=link, earlier=Earlier()))
        assert (raised, unknown) == ({"channel_moved": "doubt"}, ("roamed", "radio_changed"))


@pytest.mark.parametrize("at_s", [100.0, 112.6])
def test_sleep_before_and_after_the_load_spoils_nothing(at_s: float) -> None:
    """The sample covers the second before it; the load lasts from 100 to 111.5."""
    assert found(scene(host=(*observed().host, host_sample(at_s, slept_s=9.0))))[0] == {}
    during = host_sample(at_s + 0.1 if at_s == 100.0 else at_s - 0.2, slept_s=9.0)
    assert found(scene(host=(*observed().host, during)))[0] == {"suspended": "invalid"}


def test_where_names_are_hidden_and_nothing_changes_a_roam_is_unknown() -> None:
    samples = tuple(
        link_sample(float(at), {"bssid": None, "ssid": None}, Reason.NEEDS_LOCATION_PERMISSION) for at in made.SECONDS
    )
    raised, unknown = found(scene(link=replace(log(), samples=samples, **NO_EVENTS), earlier=Earlier()))
    assert raised == {}
    assert unknown == ("roamed", "radio_changed", "scanned")


def test_names_that_go_away_midway_are_noted() -> None:
    samples = tuple(
        link_sample(float(at), {} if at < 105 else {"bssid": None, "ssid": None}, Reason.NEEDS_LOCATION_PERMISSION)
        for at in made.SECONDS
    )
    raised, unknown = found(scene(link=replace(log(), samples=samples)))
    assert raised == {"permission_lost": "note"}
    assert unknown == ("roamed",)


def test_a_move_off_a_radar_channel_reminds_of_the_local_rules() -> None:
    """Channel 52 lies in 5250 to 5730 MHz (47 CFR 15.407(h); ceilings/channels.py), channel 36 does not."""
    assert may_need_radar_check(5260, 20)
    moved = confounders(scene(link=from_second(105, freq_mhz=5260, centre_mhz=5290.0), earlier=Earlier()))
    assert "DFS" in {flag.name: flag.reason for flag in moved.flags}["channel_moved"]
    plain = log(lambda at: {"freq_mhz": 5180 if at < 105 else 5200, "centre_mhz": 5200.0, "width_mhz": 40})
    there = confounders(scene(link=plain, earlier=Earlier()))
    assert "DFS" not in {flag.name: flag.reason for flag in there.flags}["channel_moved"]


def test_slow_facts_tell_power_save_where_samples_do_not() -> None:
    facts = empty_facts(Moment(made.SOURCE, "wlan0", 99.0, 99.0), Reason.NOT_SAMPLED)
    on = replace(facts, power_save=True, why={key: why for key, why in facts.why.items() if key != "power_save"})
    raised, _ = found(scene(link=never_told("power_save"), facts_before=facts, facts_after=on, earlier=Earlier()))
    assert raised == {"power_save": "note"}


def test_retransmits_are_not_other_traffic() -> None:
    """What the sender sent twice went over its interface twice."""
    result = transfer()
    again = tuple(replace(one, retransmits=round(one.at_s * 3000)) for one in result.sender)
    busy = with_others(3000 * 1514 / MBIT)
    assert found(scene(**busy))[0] == {"other_traffic": "doubt"}
    assert found(scene(result=replace(result, sender=again), **busy))[0] == {}


def test_an_upload_is_counted_at_the_server_and_its_frames_are_the_laptops() -> None:
    """Receiver and sender change places: narrow frames are tx, and the server's bytes stand beside the receiver's."""
    up = transfer(spec=replace(made.SPEC, direction=Direction.UPLOAD))
    assert found(scene(result=up, link=in_seconds(3, **{"tx.width_mhz": 40})))[0] == {"narrow_frames": "note"}
    told = up.server_host
    assert told is not None
    busy = replace(told, seconds=server_seconds(received_bytes=40 * MBIT))
    assert found(scene(result=replace(up, server_host=busy)))[0] == {"server_traffic": "doubt"}


def test_where_nobody_looked_everything_but_what_the_result_tells_is_unknown() -> None:
    raised, unknown = found(scene(observed=NOTHING))
    assert raised == {}
    assert set(TABLE) - set(unknown) == {"wrong_radio", "server_traffic", "wire_changed", "server_cpu", "tcp_differs"}


def test_the_first_attempts_are_the_first_that_count() -> None:
    """Same AP config and leg for what is seen of radio and laptop; same case for TCP."""
    case = bookshop_plan().slots[0].case
    other = first_attempt(test_id="other way", direction="upload")
    doubted = first_attempt(test_id="in doubt", flags=(Flag("roamed", "seen", "doubt"),))
    noted = first_attempt(test_id="noted", flags=(Flag("stall", "seen", "note"),))
    failed = first_attempt(test_id="failed", status=Status.FAILED)
    elsewhere = first_attempt(test_id="other config", ap_config="other")
    over_the_line = first_attempt(test_id="other leg", leg="internet")
    history = [elsewhere, over_the_line, failed, doubted, other, noted, first_attempt(test_id="later")]
    assert Earlier.of(history, case) == Earlier(other, noted)
    assert Earlier.of([failed, doubted], case) == Earlier(None, None)


# --- what becomes of the attempt --------------------------------------------------------------------------------------

INVALID, DOUBT, NOTE = Flag("roamed", "there", "invalid"), Flag("scanned", "seen", "doubt"), Flag("eee", "on", "note")
OK = Judgement(Status.OK, "", (Flag("stall", "2 s", "note"),))
FAILED = Judgement(Status.FAILED, "stalled: no byte", ())
SLEPT = Flag("suspended", "4 s", "invalid")


@pytest.mark.parametrize(
    ("judgement", "flags", "status", "reason"),
    [
        (OK, (DOUBT, NOTE), Status.OK, ""),
        (OK, (DOUBT, INVALID, SLEPT), Status.INVALID, "roamed: there"),
        (FAILED, (INVALID,), Status.FAILED, "stalled: no byte"),
        (FAILED, (INVALID, SLEPT), Status.INVALID, "suspended: 4 s"),
        (Judgement(Status.INTERRUPTED, "stopped: by hand", ()), (SLEPT,), Status.INTERRUPTED, "stopped: by hand"),
        (Judgement(Status.INVALID, "shared: another", ()), (INVALID,), Status.INVALID, "shared: another"),
    ],
)
def test_what_a_flag_makes_of_a_judgement(
    judgement: Judgement, flags: tuple[Flag, ...], status: Status, reason: str
) -> None:
    """A roam is how an AP config fails and no excuse; a laptop that slept is."""
    after = weighed(judgement, Confounders(flags))
    assert (after.status, after.reason) == (status, reason)
    assert after.flags == (*judgement.flags, *flags)


def test_one_name_is_flagged_once() -> None:
    """The engine's own figure of the processor and the machine's are one flag."""
    cores = Flag("laptop_cpu", "cores", "note")
    own = Judgement(Status.OK, "", (Flag("laptop_cpu", "process", "note"),))
    assert weighed(own, Confounders((cores, NOTE))).flags == (*own.flags, NOTE)
    saturated = Judgement(Status.INVALID, "laptop_saturated: 97 %", (Flag("laptop_saturated", "97 %", "invalid"),))
    assert weighed(saturated, Confounders((cores,))).flags == saturated.flags


# --- the table itself -------------------------------------------------------------------------------------------------


def test_the_page_is_what_the_table_makes(repository: Path) -> None:
    """python -m sitetest.visit.flags_page docs/flags.md"""
    assert (repository / "docs" / "flags.md").read_text(encoding="utf-8") == flags_page()


def test_names_are_distinct_and_no_rule_of_validity_has_one_of_them() -> None:
    """laptop_cpu and server_cpu are remarks of both, and are put together by `weighed`."""
    assert len(TABLE) == len(ROWS)
    assert {rule.code for rule in validity.RULES}.isdisjoint(TABLE)
    for row in ROWS:
        assert row.why, row.name
        assert row.source, row.name
        assert "|" not in row.raised_when + row.why + row.source


def test_what_goes_with_the_throughput_is_only_ever_noted() -> None:
    """Leaving out what comes more often with fast or slow transfers would pick the others (docs/method.md): the rows
    whose code reads a rate of the transfer, or that name a processor."""
    reads_a_rate = {
        node.name
        for module in (radio_flags, wire_flags)
        for node in ast.parse(inspect.getsource(module)).body
        if isinstance(node, ast.FunctionDef)
        and any(isinstance(inner, ast.Attribute) and inner.attr == "throughput_mbps" for inner in ast.walk(node))
    }
    assert reads_a_rate == {"wired_ceiling"}
    for name in (*reads_a_rate, "laptop_cpu", "server_cpu"):
        assert (TABLE[name].severity, TABLE[name].otherwise) == (Severity.NOTE, None)


# --- anything may come ------------------------------------------------------------------------------------------------


def some(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


LINK_CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "associated": st.booleans(),
        "bssid": some(st.sampled_from([HOME, AWAY])),
        "freq_mhz": some(st.sampled_from([5180, 5260, 2437, 6135])),
        "width_mhz": some(st.sampled_from([20, 80, 160])),
        "punctured": some(st.integers(0, 0xFFFF)),
        "rssi_dbm": some(st.integers(-110, 3)),
        "busy_pct": some(st.floats(0, 100)),
        "rx.mbps": some(st.floats(0.1, 5000)),
        "tx.width_mhz": some(st.sampled_from([20, 80])),
        "retries": some(st.integers(0, 2**40)),
        "tx_packets": some(st.integers(0, 2**40)),
        "connected_s": some(st.floats(0, 1000)),
        "associated_at_s": some(st.floats(1, 1000)),
        "power_save": some(st.booleans()),
        "links": some(st.sampled_from([[], LINKS[:1], LINKS])),
    },
)
TIMES = st.floats(90, 120)


@st.composite
def scenes(draw: st.DrawFn) -> Scene:
    """Anything that observers may write down, in the wrong order and out of the window too."""
    samples = tuple(
        link_sample(at_s, draw(LINK_CHANGES), draw(st.sampled_from(Reason)))
        for at_s in sorted(draw(st.lists(TIMES, max_size=6)))
    )
    events = tuple(
        event(
            at_s,
            draw(st.sampled_from(LinkEventKind)),
            bssid=draw(some(st.just(AWAY))),
            freq_mhz=draw(some(st.just(5200))),
        )
        for at_s in sorted(draw(st.lists(TIMES, max_size=4)))
    )
    cost_ms = draw(some(st.floats(0, 100)))
    link = draw(some(st.just(LinkLog(samples, events, draw(st.booleans()), cost_ms, cost_ms, 1.0, ()))))
    counts = some(st.integers(0, 2**50))
    seconds = tuple(
        host_sample(
            at_s,
            length_s=draw(st.floats(0, 5)),
            received_bytes=draw(counts),
            sent_bytes=draw(counts),
            busiest_core_pct=draw(some(st.floats(0, 100))),
            plugged=draw(some(st.booleans())),
            slept_s=draw(some(st.floats(0, 9))),
            events=tuple(ClockEvent(kind, 4.0) for kind in draw(st.sets(st.sampled_from(ClockEventKind)))),
        )
        for at_s in draw(st.lists(TIMES, max_size=4))
    )
    faces = some(
        st.builds(
            interface,
            kind=some(st.sampled_from(InterfaceKind)),
            speed_mbps=some(st.sampled_from([10, 1000])),
            duplex=some(st.sampled_from(["half", "full"])),
            mtu=some(st.integers(1, 9000)),
            usb_mbps=some(st.sampled_from([480, 5000])),
            carrier_changes=some(st.integers(0, 9)),
            eee=some(st.booleans()),
        )
    )
    told = tuple(
        ServerSecond(
            draw(st.floats(0, 20)),
            draw(st.floats(0, 3)),
            draw(some(st.floats(0, 100))),
            None,
            draw(counts),
            draw(counts),
        )
        for _ in range(draw(st.integers(0, 3)))
    )
    server_host = draw(some(st.just(ServerHost("eth0", draw(some(st.just(100))), draw(some(st.just("half"))), told))))
    address = some(st.sampled_from(["192.0.2.10", "127.0.0.1", "fe80::1%wlan0", "2001:db8::1", "no address"]))
    whole = transfer(
        draw(st.sampled_from([0.0, 400.0, 940.0])),
        spec=replace(made.SPEC, direction=draw(st.sampled_from(Direction))),
        server_host=server_host,
        local_address=draw(address),
        remote_address=draw(address),
        mss_bytes=draw(some(st.integers(500, 9000))),
    )
    kept = draw(st.integers(0, 113))
    first = draw(
        some(
            st.builds(
                first_attempt,
                bssid_label=some(st.just(AWAY)),
                rssi_dbm=some(st.just(-80.0)),
                plugged=some(st.booleans()),
            )
        )
    )
    return scene(
        result=replace(whole, receiver=whole.receiver[:kept], sender=whole.sender[: draw(st.integers(0, 113))]),
        load_from_s=draw(some(TIMES)),
        load_until_s=draw(some(TIMES)),
        interface=draw(faces),
        interface_after=draw(faces),
        link=link,
        host=seconds,
        window=draw(some(st.just(made.WINDOW))),
        expected=draw(some(st.just(DECLARED))),
        earlier=Earlier(first, first),
        accepted=draw(some(st.just("on 5 GHz"))),
        wifi_expected=draw(st.booleans()),
        wire_mbps=draw(some(st.floats(0, 1000))),
    )


@settings(deadline=None, max_examples=150)
@given(seen=scenes())
def test_whatever_was_written_down_is_judged(seen: Scene) -> None:
    """It never raises; each row is raised, unknown or neither; severities are those of the table."""
    result = confounders(seen)
    names = [flag.name for flag in result.flags]
    assert names == [row.name for row in ROWS if row.name in names]
    assert set(names).isdisjoint(result.unknown)
    for flag in result.flags:
        row = TABLE[flag.name]
        assert flag.severity in {row.severity, *(row.otherwise or ())[:1]}
        assert flag.reason


def test_thresholds_are_named_in_the_words_of_their_rows() -> None:
    """The words are made from the figures, so that a figure that changes changes the page."""
    for name, words in {
        "moved_client": f"{flag_table.MOVED_DB:g} dB",
        "busy_channel": f"{flag_table.BUSY_PCT:g} %",
        "wired_ceiling": f"{flag_table.CEILING_SHARE:.0%}",
        "laptop_cpu": f"{flag_table.CORE_PCT:g} %",
        "narrow_frames": f"{flag_table.NARROW_SHARE:.0%}",
        "usb2": str(flag_table.USB2_MBPS),
    }.items():
        assert words in TABLE[name].raised_when
