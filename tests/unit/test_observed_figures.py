"""From what the observers saw to the columns of an attempt and its seconds.

Figures are worked out here by hand, or come from the published examples that stand beside them; the scene is that of
`flag_scenes`.
"""

import json
from collections.abc import Sequence
from dataclasses import fields, replace

import pytest
from flag_scenes import (
    BYTES_A_SECOND,
    CABLE,
    HOME,
    SPEC,
    WIRE_BYTES_A_SECOND,
    event,
    host_sample,
    link_sample,
    log,
    observed,
    transfer,
)

from sitetest.engines.base import TransferResult
from sitetest.observe.host import HostSample
from sitetest.observe.link.events import LinkEventKind
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.sampler import LinkLog
from sitetest.observe.observed import Observed
from sitetest.observe.probe_record import LatencyRecord, NoLatency, NoRtt, Phase, Probe, Stamps
from sitetest.observe.responsiveness import ForeignProbe, ForeignTimes
from sitetest.stats.latency import RESPONSIVENESS_DRAFT
from sitetest.store.records import AttemptRecord, Observation
from sitetest.visit.figures import Figures, figures
from sitetest.visit.recording import second_records
from sitetest.visit.timeline import timeline
from sitetest_wire.messages import ServerHost, ServerSecond
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

FROM_S, SECONDS = 101.1, 10
"""The window on the agent's clock: load from 100, first byte of all streams 0.1 s later, 1 s of warm-up."""


def probes(phase: Phase, from_s: float, rtts_ms: Sequence[float | None], every_s: float = 0.1) -> list[Probe]:
    """One probe every ``every_s``; None is lost."""
    return [
        Probe(phase, number, from_s + number * every_s, rtt_ms, None if rtt_ms is None else Stamps.KERNEL_BOTH,
              NoRtt.LOST if rtt_ms is None else None)
        for number, rtt_ms in enumerate(rtts_ms)
    ]  # fmt: skip


def round_trips(
    idle: Sequence[float | None] = (25.0, 26.0, 29.0),
    loaded: Sequence[float | None] = (32.0,) * 100,
    after: Sequence[float | None] = (25.0, 27.0, 50.0),
) -> LatencyRecord:
    """Idle from 99, loaded over the window from its begin on, idle again from 112 on."""
    found = [
        *probes(Phase.IDLE_BEFORE, 99.0, idle),
        *probes(Phase.LOADED, 100.05, (900.0,) * 10),  # warm-up: in no figure
        *probes(Phase.LOADED, FROM_S + 0.05, loaded),
        *probes(Phase.IDLE_AFTER, 112.0, after),
    ]
    return LatencyRecord(tuple(found))


def made(seen: Observed | None, result: TransferResult | None = None) -> Figures:
    result = result or transfer()
    return figures(result, seen, second_records(result))


# -- columns -----------------------------------------------------------------------------------------------------


def test_every_figure_is_a_column_of_the_attempt() -> None:
    columns = made(observed()).columns()
    assert set(columns) <= {field.name for field in fields(AttemptRecord)}
    assert len(columns) >= 30


def test_without_observers_nothing_is_known_and_nothing_is_invented() -> None:
    """None is not measured; what the transfer itself tells is there."""
    columns = made(None, transfer(server_host=None)).columns()
    told = {name: value for name, value in columns.items() if value not in (None, ())}
    assert told.keys() <= {"link_source", "mss_bytes", "seconds"}
    assert told["link_source"] == "none"
    assert all(second.probe_rtt_ms is None and second.rssi_dbm is None for second in columns["seconds"])


# -- latency -----------------------------------------------------------------------------------------------------


def test_buffer_delay_is_that_of_rfc_6349s_example() -> None:
    """RFC 6349, section 4.1.3: baseline 25 ms, average 32 ms under load: 28 %."""
    columns = made(observed(latency=round_trips())).columns()
    assert columns["buffer_delay_pct"] == pytest.approx(28.0)
    assert columns["rtt_idle_ms"] == 26.0, "the median, while the baseline is the shortest"
    assert columns["rtt_after_ms"] == 27.0
    assert (columns["rtt_loaded_p50_ms"], columns["rtt_loaded_p95_ms"]) == (32.0, 32.0), "the warm-up's 900 ms left out"
    assert columns["probe_loss_pct"] == 0
    assert columns["latency_why"] is None


def test_a_percentile_among_lost_probes_has_no_value_and_the_loss_is_shown() -> None:
    """RFC 2681, section 2.4: a lost packet's round trip is undefined, and longer than any other in percentiles."""
    columns = made(observed(latency=round_trips(loaded=(32.0,) * 90 + (None,) * 10))).columns()
    assert columns["rtt_loaded_p50_ms"] == 32.0
    assert columns["rtt_loaded_p95_ms"] is None
    assert columns["probe_loss_pct"] == pytest.approx(10.0)
    assert columns["buffer_delay_pct"] == pytest.approx(28.0), "over those that came back"


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        (Observed(), "not_sampled"),
        (Observed(load_from_s=100.0), "no_reflector_known"),
        (Observed(load_from_s=100.0, latency=LatencyRecord(why=NoLatency.NO_ANSWER)), "no_answer"),
        (Observed(load_from_s=500.0, latency=round_trips()), "not_sampled"),
    ],
    ids=["never came to it", "no reflector", "silence", "no probe in the window"],
)
def test_what_there_is_no_latency_for_says_why(seen: Observed, why: str) -> None:
    columns = made(seen).columns()
    assert columns["latency_why"] == why
    assert columns["rtt_loaded_p50_ms"] is None
    assert columns["probe_loss_pct"] is None


def loaded_rtt(rtt_ms: float) -> tuple[Sample, ...]:
    return tuple(replace(sample, rtt_ms=(rtt_ms,) * SPEC.streams) for sample in transfer().sender)


def test_responsiveness_joins_foreign_probes_and_the_senders_round_trips() -> None:
    """draft-ietf-ippm-responsiveness-09 by hand, plain TCP: 60000 / ((20 + 40) / 2) = 2000 on connections of their own,
    60000 / 60 = 1000 on loaded ones; the mean is 1500."""
    foreign = tuple(ForeignProbe(100.0 + second, ForeignTimes(20.0, None, 40.0)) for second in range(11))
    failed = ForeignProbe(105.5, None, "timeout")
    seen = observed(foreign=(*foreign, failed))
    columns = made(seen, transfer(sender=loaded_rtt(60.0))).columns()
    assert columns["responsiveness_rpm"] == pytest.approx(1500)
    assert columns["responsiveness_draft"] == RESPONSIVENESS_DRAFT
    silent = made(seen).columns()
    assert (silent["responsiveness_rpm"], silent["responsiveness_draft"]) == (None, None), "the sender tells no RTT"


def test_responsiveness_counts_from_the_begin_of_the_load() -> None:
    """The draft's interval is longer than the window here: what was probed in the warm-up belongs to it, what was
    probed before the load does not."""
    for at_s, known in ((100.3, True), (99.9, False)):
        seen = observed(foreign=(ForeignProbe(at_s, ForeignTimes(20.0, None, 40.0)),))
        rpm = made(seen, transfer(sender=loaded_rtt(60.0))).columns()["responsiveness_rpm"]
        assert (rpm is not None) == known


# -- link --------------------------------------------------------------------------------------------------------


def test_link_figures_are_medians_and_commonest_values_of_the_window() -> None:
    """Seconds 102 to 104 are on another channel and slower; the idle frame after the load says 6 Mbit/s."""

    def told(second: int) -> dict[str, object]:
        if second in (102, 103, 104):
            return {"freq_mhz": 5745, "centre_mhz": 5775.0, "tx.mbps": 540.4, "bssid": "ap-00000002"}
        return {"tx.mbps": 6.0} if second >= 112 else {}

    columns = made(observed(link=log(told))).columns()
    assert (columns["band"], columns["channel"], columns["width_mhz"]) == ("5", 36, 80)
    assert columns["bssid_label"] == HOME
    assert columns["tx_rate_mbps"] == 1080.9
    assert columns["rssi_dbm"] == -52.5
    assert columns["phy"] == "he"
    assert columns["link_source"] == "live"
    assert columns["power_save"] is False


def test_the_signal_falls_back_to_what_is_valid() -> None:
    for changes, dbm in (
        ({"rssi_dbm": None}, -52),
        ({"rssi_dbm": None, "rssi_avg_dbm": None, "beacon_rssi_dbm": -60}, -60),
        ({"rssi_dbm": None, "rssi_avg_dbm": None, "links": [{"rssi_dbm": -70}, {"rssi_dbm": -58}]}, -58),
        ({"rssi_dbm": None, "rssi_avg_dbm": None}, None),
    ):
        columns = made(observed(link=log(lambda _, changes=changes: changes))).columns()  # type: ignore[misc]
        assert columns["rssi_dbm"] == dbm, changes


def nothing_read(count: int = 12) -> LinkLog:
    reader = NoReader(Reason.NOT_WIFI, clock=iter(range(100, 100 + count)).__next__)
    samples = tuple(reader.sample("eth0", 0.0) for _ in range(count))
    return LinkLog(samples, (), False, None, None, 1.0, ())


def test_a_reader_that_tells_nothing_is_no_source() -> None:
    columns = made(observed(link=nothing_read())).columns()
    assert columns["link_source"] == "none"
    assert columns["power_save"] is None


# -- computers and wire ------------------------------------------------------------------------------------------


def test_efficiency_is_that_of_rfc_6349s_example() -> None:
    """RFC 6349, section 4.1.2: 102,000 bytes transmitted, 2,000 of them again: printed 98.03, exactly 98.0392."""
    counts = tuple(Sample(at_s, (count, count), CountedAs.RECEIVED) for at_s, count in ((0.1, 1), (9.0, 50_000)))
    sender = (Sample(9.0, (50_000, 50_000), CountedAs.ACKED, retransmits=2),)
    result = transfer(receiver=counts, sender=sender, mss_bytes=1000)
    assert made(observed(), result).columns()["tcp_efficiency_pct"] == pytest.approx(98.0392157)
    unknown_size = replace(result, mss_bytes=None)
    assert made(observed(), unknown_size).columns()["tcp_efficiency_pct"] is None
    nothing_again = replace(unknown_size, sender=(replace(sender[0], retransmits=0),))
    assert made(observed(), nothing_again).columns()["tcp_efficiency_pct"] == 100
    assert made(observed()).columns()["tcp_efficiency_pct"] is None, "retransmits are not told"


def hosts(**changes: object) -> tuple[HostSample, ...]:
    """One sample for each second of the window."""
    return tuple(host_sample(FROM_S + second, **changes) for second in range(1, SECONDS + 1))


@pytest.mark.parametrize("extra_mbps", [0.0, 5.0, 80.0])
def test_other_traffic_is_what_was_put_beside_the_test(extra_mbps: float) -> None:
    """The test's 400 Mbit/s are x 1514/1448 on the wire (RFC 894, RFC 7323); the rest is somebody else's."""
    extra_bytes = round(extra_mbps * 1e6 / 8)
    seen = observed(host=hosts(received_bytes=WIRE_BYTES_A_SECOND, sent_bytes=extra_bytes))
    found = made(seen)
    assert found.columns()["other_traffic_pct"] == pytest.approx(100 * extra_mbps / 400, abs=0.01)
    assert [second.other_mbps for second in found.seconds] == pytest.approx([extra_mbps] * SECONDS, abs=0.05)


def test_what_an_upload_sent_again_is_the_tests_own() -> None:
    upload = replace(SPEC, direction=Direction.UPLOAD)
    sender = tuple(replace(sample, retransmits=0) for sample in transfer().sender)
    # A tenth of all that arrived was sent twice.
    again = round(sender[-1].total_bytes / 10 / 1448)
    result = transfer(spec=upload, sender=(*sender[:-1], replace(sender[-1], retransmits=again)))
    seen = observed(host=hosts(received_bytes=0, sent_bytes=round(WIRE_BYTES_A_SECOND * 1.1)))
    assert made(seen, result).columns()["other_traffic_pct"] == pytest.approx(0, abs=0.01)
    download = made(seen).columns()["other_traffic_pct"]
    assert download == pytest.approx(100 * 0.1 * 1514 / 1448, abs=0.01), "there the sender's repeats do not pass us"


def test_a_loopback_tells_nothing_about_other_traffic() -> None:
    for address in ("127.0.0.1", "::1"):
        found = made(observed(), transfer(local_address=address))
        assert found.columns()["other_traffic_pct"] is None
        assert {second.other_mbps for second in found.seconds} == {None}


def test_facts_of_both_ends_of_the_wire() -> None:
    columns = made(observed(interface=CABLE)).columns()
    assert (columns["interface"], columns["interface_kind"]) == ("eth0", "ethernet")
    assert (columns["link_mbps"], columns["server_link_mbps"], columns["mss_bytes"]) == (1000, 1000, 1448)
    radio = replace(CABLE, kind=observed().interface.kind)  # type: ignore[union-attr]
    assert made(observed(interface=radio)).columns()["link_mbps"] is None, "a radio's rate is no speed of a wire"


@pytest.mark.parametrize(
    ("told", "plugged"), [((True, True), True), ((True, False), False), ((None, True), True), ((None, None), None)]
)
def test_on_battery_at_any_time_is_not_plugged(told: tuple[bool | None, ...], plugged: bool | None) -> None:
    samples = tuple(host_sample(102.0 + place, plugged=value) for place, value in enumerate(told))
    assert made(observed(host=samples)).columns()["plugged"] is plugged


def test_the_cores_are_those_of_the_window() -> None:
    """Outside the window the laptop rests and the server is flat out: in no figure."""
    busy = tuple(
        host_sample(at_s, busiest_core_pct=40.0 + place if FROM_S < at_s - 0.5 < FROM_S + SECONDS else 0.0)
        for place, at_s in enumerate(100.4 + second for second in range(1, 20))
    )
    seconds = tuple(ServerSecond(n + 0.1, 1.0, 60.0 if 2 <= n <= 11 else 100.0, 5.0, 0, 0) for n in range(-1, 14))
    columns = made(observed(host=busy), transfer(server_host=ServerHost("eth0", None, None, seconds))).columns()
    assert columns["busiest_core_pct"] == pytest.approx(40 + 5.5), "ten seconds, the places 1 to 10"
    assert columns["server_busiest_core_pct"] == 60


# -- seconds -----------------------------------------------------------------------------------------------------


def test_each_second_has_what_was_seen_in_it() -> None:
    """Every observer says something else each second, so that a shift by one would show."""
    latency = round_trips(loaded=[float(place // 10) if place % 10 else None for place in range(100)])
    link = log(lambda second: {"rx.mbps": 1000.0 + second, "rssi_dbm": -40.0 - (second - 100)})
    host = tuple(host_sample(FROM_S + second, busiest_core_pct=10.0 * second) for second in range(1, SECONDS + 1))
    server = tuple(ServerSecond(1.1 + second, 1.0, 5.0 * second, 1.0, 0, 0) for second in range(1, SECONDS + 1))
    result = transfer(server_host=ServerHost("eth0", 1000, "full", server))
    seconds = made(observed(latency=latency, link=link, host=host), result).seconds
    assert len(seconds) == SECONDS
    for place, second in enumerate(seconds):
        assert second.probe_rtt_ms == place
        assert second.probes_lost == 1
        assert second.rx_rate_mbps == 1000 + 102 + place, "the sample of 102.0 lies in the second from 101.1 on"
        assert second.rssi_dbm == -42 - place
        assert (second.channel, second.width_mhz, second.bssid_label) == (36, 80, HOME)
        assert second.busiest_core_pct == 10 * (place + 1)
        assert second.server_busiest_core_pct == 5 * (place + 1)


def test_a_second_that_was_missed_stays_empty() -> None:
    host = tuple(sample for sample in hosts() if not 104 < sample.at_s < 107)
    link = replace(log(), samples=tuple(sample for sample in log().samples if sample.at_s != 104))
    seconds = made(observed(host=host, link=link)).seconds
    assert [second.second for second in seconds if second.rssi_dbm is None] == [2]
    assert [second.second for second in seconds if second.busiest_core_pct is None] == [2, 3, 4]


def test_clocks_are_lined_up_by_the_best_that_there_is() -> None:
    """The received samples' clock first, the acknowledged ones' for an upload, then the begin of the load."""
    download = transfer()
    later = tuple(replace(sample, at_s=sample.at_s + 2.0) for sample in download.sender)
    upload = replace(download, spec=replace(SPEC, direction=Direction.UPLOAD), sender=later)
    seen = Observed(load_from_s=100.0, received_from_s=100.3, acked_from_s=97.9)
    starts = {
        "received": timeline(download, seen),
        "acked": timeline(upload, replace(seen, received_from_s=None)),
        "load": timeline(download, replace(seen, received_from_s=None)),
    }
    assert {name: line and round(line.start_s, 6) for name, line in starts.items()} == {
        "received": 101.4,
        # The far end's first sample with a byte of each stream came 2.1 s after our own clock's zero.
        "acked": 97.9 + 3.1,
        "load": 101.1,
    }
    lines = [line for line in starts.values() if line is not None]
    assert all(line.end_s - line.start_s == pytest.approx(10.0) for line in lines)
    assert timeline(download, Observed()) is None
    assert timeline(replace(download, receiver=()), seen) is None


# -- observations ------------------------------------------------------------------------------------------------


def of_kind(found: Sequence[Observation], kind: str) -> list[Observation]:
    return [one for one in found if one.kind == kind]


def test_link_records_can_be_read_back_whole() -> None:
    """A key that is not there is null, and ``why`` says so: nothing is lost but decimals."""
    sample = link_sample(101.0, {"busy_pct": None})
    sample = replace(sample, end_s=101.5, cost_ms=0.125)
    found = of_kind(made(observed(link=LinkLog((sample,), (), True, 1.0, 1.0, 1.0, ()))).observations, "link")
    body = json.loads(found[0].body)
    assert "busy_pct" not in body
    assert LinkSample.from_json({**dict.fromkeys(field.name for field in fields(LinkSample)), **body}) == sample
    assert found[0].at_s == 1.0
    assert " " not in found[0].body


def test_a_link_about_which_nothing_is_known_is_written_down_once() -> None:
    assert len(of_kind(made(observed(link=nothing_read())).observations, "link")) == 1


def test_every_observer_is_written_down_in_order_of_time() -> None:
    seen = observed(
        latency=round_trips(),
        link=replace(log(), events=(event(105.2, LinkEventKind.SCAN_STARTED),)),
        facts_before=NoReader(clock=lambda: 98.5).facts("wlan0", 0.0),
        facts_after=NoReader(clock=lambda: 113.0).facts("wlan0", 0.0),
        foreign=(ForeignProbe(103.0, ForeignTimes(1.0, None, 2.0)), ForeignProbe(104.0, None, "timeout")),
    )
    found = made(seen).observations
    assert [one.at_s for one in found] == sorted(one.at_s for one in found)
    kinds = {kind: len(of_kind(found, kind)) for kind in {one.kind for one in found}}
    assert kinds.pop("latency") >= 12, "one a second at least"
    assert kinds == {
        "link": 17, "link_event": 1, "link_facts": 2, "interface": 2, "host": 12, "server_host": 11, "foreign_probe": 2,
    }  # fmt: skip
    assert json.loads(of_kind(found, "foreign_probe")[1].body) == {"why": "timeout"}
    assert [one.at_s for one in of_kind(found, "interface")] == [-1.5, 13.0]
    first = json.loads(of_kind(found, "server_host")[0].body)
    assert (first["interface"], first["speed_mbps"], first["duplex"]) == ("eth0", 1000, "full")
    rtts_ms = [
        rtt_ms
        for one in of_kind(found, "latency")
        if json.loads(one.body)["phase"] == "loaded"
        for rtt_ms in json.loads(one.body)["rtt_ms"]
    ]
    assert sorted(rtts_ms) == [32.0] * 100 + [900.0] * 10


def test_a_load_that_never_began_puts_all_before_it() -> None:
    found = made(replace(observed(), load_from_s=None, load_until_s=None)).observations
    assert found
    assert max(one.at_s for one in found) == 0


def test_an_attempt_of_half_a_minute_stays_small() -> None:
    """Our own bound: some 100 KB an attempt, 100 MB in a thousand."""
    latency = round_trips(loaded=[3.1415 + place for place in range(500)])
    found = made(observed(latency=latency)).observations
    assert BYTES_A_SECOND > 0
    assert sum(len(one.body) for one in found) < 60_000
