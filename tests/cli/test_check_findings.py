"""What `sitetest check` makes of what it reads: a line a finding, and what to do where there is something to do."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from seen_links import seen_link

from sitetest.cli.expected_finding import expected_finding
from sitetest.cli.laptop_findings import clock_finding, power_finding, quiet_finding
from sitetest.cli.latency_finding import latency_finding
from sitetest.cli.radio_findings import RadioSeen, radio_findings
from sitetest.cli.way_findings import cable_note, way_findings
from sitetest.observe.host import HostSample
from sitetest.observe.interface import InterfaceFacts, InterfaceKind
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.power import Power
from sitetest.observe.probe_record import LatencyRecord, NoLatency, Phase, Probe, Stamps
from sitetest.plan.site import AccessPoint, ApConfig
from sitetest.visit.diagnosis import Route

ROUTE = Route("if0", "192.0.2.10")


def interface(kind: InterfaceKind | None, speed_mbps: int | None = None, **changes: Any) -> InterfaceFacts:
    facts: dict[str, Any] = {
        "mtu": 1500, "usb_mbps": None, "carrier_changes": None, "eee": None, "driver": None,
        "driver_version": None, "firmware_version": None, "duplex": "full" if speed_mbps else None,
    }  # fmt: skip
    return InterfaceFacts(name="if0", kind=kind, speed_mbps=speed_mbps, **{**facts, **changes})


@pytest.mark.parametrize(
    ("facts", "ok", "says"),
    [
        (interface(InterfaceKind.WIFI), True, "over if0 (Wi-Fi), from 192.0.2.10"),
        (interface(InterfaceKind.ETHERNET, 1000), False, "over if0 (a cable, 1000 Mbit/s full duplex)"),
        (interface(InterfaceKind.ETHERNET), False, "over if0 (a cable, speed not told)"),
        (interface(InterfaceKind.TUNNEL), False, "over if0 (a tunnel)"),
        (interface(InterfaceKind.OTHER), True, "neither Wi-Fi nor a cable"),
        (interface(None), True, "this system does not tell which"),
        (None, True, "over an unknown interface"),
    ],
)
def test_the_way_names_interface_kind_and_speed(facts: InterfaceFacts | None, ok: bool, says: str) -> None:
    """A cable or a tunnel under a Wi-Fi test is a note with what to do."""
    (way,) = way_findings("way to the lan server", ROUTE, facts)
    assert (way.ok, way.stops) == (ok, None)
    assert says in way.detail
    assert bool(way.next_step) == (not ok)


def test_a_cable_is_right_where_the_wire_is_to_be_measured() -> None:
    (way,) = way_findings("way", ROUTE, interface(InterfaceKind.ETHERNET, 1000), wire_wanted=True)
    assert (way.ok, way.next_step) == (True, "")
    (tunnel,) = way_findings("way", ROUTE, interface(InterfaceKind.TUNNEL), wire_wanted=True)
    assert not tunnel.ok


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        # 100 x 1448/1538 = 94.1 (IEEE 802.3 framing, see ceilings/ethernet.py)
        (interface(InterfaceKind.ETHERNET, 100), "100 Mbit/s, which carries at most 94.1 Mbit/s of TCP payload"),
        (interface(InterfaceKind.ETHERNET, 1000, duplex="half"), "half duplex"),
        (interface(InterfaceKind.WIFI, usb_mbps=480), "USB port of 480 Mbit/s"),
    ],
)
def test_a_slow_hop_at_the_laptop_is_a_finding_of_its_own(facts: InterfaceFacts, says: str) -> None:
    slow = way_findings("way", ROUTE, facts)[1]
    assert (slow.ok, bool(slow.next_step)) == (False, True)
    assert says in slow.detail


def test_a_run_says_at_its_start_that_it_goes_over_a_cable() -> None:
    assert cable_note(interface(InterfaceKind.ETHERNET, 1000)) == (
        "This run goes over if0 (a cable, 1000 Mbit/s full duplex): it measures the wire, not Wi-Fi."
    )
    assert "measures the tunnel" in cable_note(interface(InterfaceKind.TUNNEL))
    assert cable_note(interface(InterfaceKind.WIFI)) == cable_note(interface(InterfaceKind.OTHER)) == ""


# --- the radio ------------------------------------------------------------------------------------------------------

FACTS = NoReader(Reason.NOT_SUPPORTED_BY_OS).facts("wlan0", 0.0)


def test_a_link_that_can_be_read_is_one_line_with_its_figures_and_labels() -> None:
    link = radio_findings(RadioSeen(seen_link(), FACTS, events=True))[0]
    assert (link.ok, link.detail) == (
        True,
        "5 GHz channel 36, 80 MHz, HE, -52 dBm, rate 1201 down 961 up, 02:00:00:aa:bb:01 on ssid-1",
    )


def test_what_cannot_be_seen_is_said_with_its_reason_and_the_flags_that_it_costs() -> None:
    why = {**seen_link().why, "bssid": Reason.NEEDS_LOCATION_PERMISSION, "noise_dbm": Reason.NOT_REPORTED_BY_DRIVER}
    seen = RadioSeen(seen_link(bssid=None, noise_dbm=None, why=why), FACTS, events=False, blind=("roamed", "scanned"))
    unseen = radio_findings(seen)[-1]
    assert unseen.name == "not to be seen here"
    for part in (
        "which access point (the system hides it until this program may use the location)",
        "noise (this Wi-Fi driver does not tell)",
        "roams and scans between two seconds",
        "Wi-Fi power save (this operating system does not tell)",
        "flags that stay unknown: roamed, scanned",
    ):
        assert part in unseen.detail


@pytest.mark.parametrize(
    ("reason", "says", "next_says"),
    [
        (Reason.NETLINK_BLOCKED, "a sandbox or container forbids netlink", "outside the sandbox"),
        (Reason.NOT_ASSOCIATED, "not connected to an access point", "Connect the laptop"),
        (Reason.TIMEOUT, "did not answer in time", ""),
    ],
)
def test_a_link_that_cannot_be_read_says_why_in_words(reason: Reason, says: str, next_says: str) -> None:
    (link,) = radio_findings(RadioSeen(NoReader(reason).sample("wlan0", 0.0), FACTS, events=False))
    assert (link.ok, link.stops) == (False, None)
    assert says in link.detail
    assert next_says in link.next_step


def test_a_missing_library_is_named_with_the_way_out() -> None:
    reader = NoReader(Reason.READER_UNAVAILABLE, "pyroute2 is not installed. Install it and start again.")
    seen = RadioSeen(reader.sample("wlan0", 0.0), FACTS, events=False, explanation=reader.explanation)
    assert radio_findings(seen)[0].next_step == "pyroute2 is not installed. Install it and start again."


COUNTER = AccessPoint.model_validate({"name": "counter", "bssids": ["02:00:00:aa:bb:01"]})
AUTO = ApConfig(name="auto", access_point="counter")
WIDE80 = ApConfig(name="wide80", access_point="counter", band="5", width_mhz=80)
NARROW = ApConfig(name="narrow", access_point="counter", band="5", width_mhz=20)


def test_the_ap_config_that_the_link_can_be_is_told_from_the_one_that_it_cannot() -> None:
    (found,) = expected_finding([(WIDE80, COUNTER), (NARROW, COUNTER)], seen_link(), FullNames())
    assert (found.ok, found.detail) == (True, "the link can be wide80; it cannot be narrow")


def test_a_link_that_fits_nothing_that_is_to_be_measured_is_a_note_with_both_sides() -> None:
    (found,) = expected_finding([(NARROW, COUNTER)], seen_link(), FullNames())
    assert (found.ok, found.stops) == (False, None)
    for word in ("80 MHz", "20 MHz", "narrow"):
        assert word in found.detail
    assert "site.toml" in found.next_step


def test_nothing_is_expected_where_the_site_states_nothing() -> None:
    nameless = AccessPoint(name="counter")
    assert expected_finding([(AUTO, nameless)], seen_link(), FullNames()) == []


# --- the computer ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power", "ok", "says"),
    [
        (Power(True, None, False), True, "plugged in, no energy saver"),
        (Power(False, 71.0, None), False, "runs on its battery, battery at 71 %"),
        (Power(False, 40.0, True), False, "and saves energy"),
        (Power(True, 100.0, True), False, "saves energy"),
        (Power(None, None, None), True, "whether it is plugged in is not told"),
    ],
)
def test_power(power: Power, ok: bool, says: str) -> None:
    found = power_finding(power)
    assert (found.ok, bool(found.next_step)) == (ok, not ok)
    assert says in found.detail


def host(received: int | None, sent: int | None, busiest_pct: float | None) -> HostSample:
    return HostSample(
        at_s=1.0, length_s=1.0, busiest_core_pct=busiest_pct, mean_core_pct=None, agent_pct=None,
        received_bytes=received, sent_bytes=sent, plugged=None, battery_pct=None, saver=None, slept_s=None,
        events=(), cost_ms=0.1,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sample", "ok", "says"),
    [
        # 12.5 kB in a second are 0.1 Mbit/s, 1.25 MB are 10
        (host(12_500, 25_000, 9.0), True, "0.1 Mbit/s in and 0.2 out over wlan0, busiest core 9 %"),
        (host(1_250_000, 0, 9.0), False, "10.0 Mbit/s in"),
        (host(0, 0, 93.0), False, "busiest core 93 %"),
        (host(None, None, None), True, "other traffic over wlan0 cannot be read"),
    ],
)
def test_what_else_goes_on_before_the_test(sample: HostSample, ok: bool, says: str) -> None:
    found = quiet_finding("wlan0", sample)
    assert (found.ok, bool(found.next_step)) == (ok, not ok)
    assert says in found.detail


NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("at_server", "ok", "says"),
    [
        (NOON + timedelta(seconds=20), True, "as at the server"),
        (NOON + timedelta(seconds=90), False, "90 s behind the server's"),
        (NOON - timedelta(hours=3), False, "3 h ahead of the server's"),
        (NOON - timedelta(days=400), False, "400 days ahead"),
        (None, True, "the server does not tell"),
    ],
)
def test_clocks_that_disagree_are_said(at_server: datetime | None, ok: bool, says: str) -> None:
    found = clock_finding(NOON, at_server)
    assert (found.ok, bool(found.next_step)) == (ok, not ok)
    assert says in found.detail


def probes(*rtts_ms: float | None) -> LatencyRecord:
    return LatencyRecord(
        tuple(
            Probe(Phase.IDLE_BEFORE, number, number / 50, rtt_ms, None if rtt_ms is None else Stamps.USER)
            for number, rtt_ms in enumerate(rtts_ms)
        )
    )


def test_the_idle_round_trip() -> None:
    """Percentiles as in RFC 2330, a lost probe longer than any other (RFC 2681, 2.4)."""
    assert latency_finding(probes(*[2.0] * 19, 9.6)).detail == "2.0 ms (95 %: 2.0 ms), 0 of 20 probes lost"
    lossy = latency_finding(probes(*[2.0] * 10, *[None] * 3))
    assert (lossy.ok, lossy.detail) == (False, "2.0 ms (95 %: lost), 3 of 13 probes lost")


def test_without_round_trips_the_reason_is_said() -> None:
    silent = latency_finding(LatencyRecord(why=NoLatency.NO_ANSWER))
    assert (silent.ok, silent.detail) == (False, "not measured: no probe was answered")
    assert "UDP" in silent.next_step
    assert latency_finding(None).ok, "an old server is no fault of the network"
