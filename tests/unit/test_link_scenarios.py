"""The scenario player: invented courses of events, marked as simulated in every record."""

from pathlib import Path

import pytest
from link_invariants import check_rate, check_record

from sitetest.errors import UsageError
from sitetest.observe.link.anonymise import Anonymiser
from sitetest.observe.link.capture_file import CaptureHeader, CaptureLine, read_capture
from sitetest.observe.link.capture_link import capture_link, write_capture
from sitetest.observe.link.events import LinkEvent
from sitetest.observe.link.place_names import FullNames, Labels
from sitetest.observe.link.reader import Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, SourceKind
from sitetest.observe.link.recorded_reader import RecordedReader
from sitetest.observe.link.scenario import SCENARIOS, Change, Scenario
from sitetest.observe.link.scenario_reader import ScenarioReader


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def played(name: str, seconds: int = 20) -> tuple[list[LinkSample], list[LinkEvent]]:
    clock = Clock()
    reader = ScenarioReader(SCENARIOS[name], FullNames(), clock)
    source = reader.events("wlan0")
    samples: list[LinkSample] = []
    events: list[LinkEvent] = []
    for second in range(seconds):
        clock.now_s = 100.0 + second
        samples.append(reader.sample("wlan0", clock.now_s + 0.8))
        events += source.wait(0.0)
    check_record(reader.facts("wlan0", 0.0))
    return samples, events


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_keeps_the_promise_of_the_record(name: str) -> None:
    samples, events = played(name)
    for sample in samples:
        check_record(sample)
        check_rate(sample.tx)
        check_rate(sample.rx)
        assert sample.source.kind is SourceKind.SIMULATED
    for event in events:
        assert event.source.kind is SourceKind.SIMULATED
        assert LinkEvent.from_json(event.to_json()) == event


def test_steady_stays() -> None:
    samples, events = played("steady")
    assert events == []
    assert {(s.bssid, s.channel, s.width_mhz) for s in samples} == {("02:00:00:aa:bb:01", 36, 80)}
    assert len({s.rssi_dbm for s in samples}) > 1


def test_roam() -> None:
    samples, (event,) = played("roam")
    assert [s.bssid for s in samples].index("02:00:00:aa:bb:02") == 7
    assert (event.kind.value, event.at_s, event.bssid) == ("roamed", 107.0, "02:00:00:aa:bb:02")
    assert (samples[6].connected_s, samples[8].connected_s) == (126.0, 1.0)


def test_width_fallback() -> None:
    samples, events = played("width_fallback")
    assert [(samples[at].width_mhz, samples[at].tx.width_mhz) for at in (4, 5, 12) if samples[at].tx is not None] == [  # type: ignore[union-attr]
        (80, 80), (40, 40), (20, 20),
    ]  # fmt: skip
    assert [event.kind.value for event in events] == ["channel_switched"] * 2


def test_channel_move_leaves_a_radar_channel() -> None:
    samples, events = played("channel_move")
    assert [(samples[at].channel, samples[at].dfs) for at in (8, 9)] == [(52, True), (100, True)]
    assert [event.kind.value for event in events] == ["channel_switch_started", "channel_switched"]
    assert {s.bssid for s in samples} == {"02:00:00:aa:bb:01"}


def test_scan_burst_power_save_frozen_signal() -> None:
    assert [event.kind.value for event in played("scan_burst")[1]] == ["scan_started", "scan_finished"]
    assert {s.power_save for s in played("power_save")[0]} == {True}
    assert len({s.rssi_dbm for s in played("frozen_signal")[0]}) == 1


def test_permission_lost_midway() -> None:
    samples, _ = played("permission_lost")
    assert samples[8].bssid is not None
    assert samples[9].why["bssid"] is samples[9].why["ssid"] is Reason.NEEDS_LOCATION_PERMISSION
    assert samples[9].rssi_dbm is not None


def test_reassociation_to_the_same_access_point() -> None:
    samples, events = played("reassociation")
    assert [samples[at].associated for at in (6, 7, 9)] == [True, False, True]
    assert samples[6].bssid == samples[9].bssid
    assert samples[9].associated_at_s != samples[6].associated_at_s
    assert [event.kind.value for event in events] == ["disconnected", "connected"]


def test_labels_show_the_roam_without_the_addresses() -> None:
    clock = Clock()
    reader = ScenarioReader(SCENARIOS["roam"], Labels(b"s" * 32), clock)
    before = reader.sample("wlan0", 0.0).bssid
    clock.now_s += 10
    after = reader.sample("wlan0", 0.0).bssid
    assert before != after
    assert str(before).startswith("ap-")
    assert str(after).startswith("ap-")


def test_changes_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="order of time"):
        Scenario("x", "y", changes=(Change(3.0), Change(1.0)))


class Observed:
    """A live reader with a place in it, for captures."""

    kind = SourceKind.LIVE
    name = "linux-nl80211"

    def observe(self, interface: str, deadline_s: float) -> Observation:
        info = {"SIGNAL": -50, "STA_FLAGS": {"ASSOCIATED": True}}
        return {
            "interface": {"IFTYPE": 2, "SSID": b"The Real Name".hex(), "MAC": "3c:5a:b4:00:00:01", "WIPHY_FREQ": 5180},
            "stations": [{"MAC": "3c:5a:b4:aa:bb:01", "STA_INFO": info}],
        }

    def observe_facts(self, interface: str, deadline_s: float) -> Observation:
        return {"countryCode": "QQ", "interface": {"MAC": "3c:5a:b4:00:00:01"}, "power_save": {"PS_STATE": 0}}

    def capabilities(self) -> dict[str, Reason | None]:
        return {}

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        raise NotImplementedError

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        raise NotImplementedError

    def events(self, interface: str) -> None:
        """None."""

    def close(self) -> None:
        """Nothing."""


def test_a_capture_tells_nothing_of_the_place_and_plays_again(tmp_path: Path) -> None:
    clock = Clock()
    slept: list[float] = []

    def sleep(duration_s: float) -> None:
        slept.append(duration_s)
        clock.now_s += duration_s

    header, lines = capture_link(Observed(), "wlx3c5ab4000001", os="linux", samples=3, clock=clock, sleep=sleep)
    assert slept == [0.0, 1.0, 1.0]
    file = tmp_path / "one.jsonl"
    write_capture(file, header, lines)
    text = file.read_text(encoding="utf-8")
    for secret in ("3c:5a", "Real", b"Real".hex(), "3c5ab4", "QQ"):
        assert secret not in text
    capture = read_capture(file)
    assert capture.header.origin == "recorded"
    reader = RecordedReader(capture, FullNames(), clock)
    samples = [reader.sample("wlan0", 0.0) for _ in range(4)]
    assert [sample.bssid for sample in samples[:3]] == ["02:00:00:00:00:02"] * 3
    assert (samples[0].ssid, samples[0].source.kind) == ("ssid-1", SourceKind.RECORDED)
    assert samples[3].why["rssi_dbm"] is Reason.NOT_SAMPLED
    assert reader.facts("wlan0", 0.0).power_save is False
    with pytest.raises(UsageError, match="exists already"):
        write_capture(file, header, lines)


def test_the_same_address_is_the_same_and_another_another() -> None:
    clean = Anonymiser().clean
    assert clean(["3c:5a:b4:0:0:1", "3C-5A-B4-00-00-01", "3c:5a:b4:00:00:02", -50, True, None]) == [
        "02:00:00:00:00:01", "02:00:00:00:00:01", "02:00:00:00:00:02", -50, True, None,
    ]  # fmt: skip
    assert clean({"3c:5a:b4:00:00:02": {"ssid": "Real"}}) == {"02:00:00:00:00:02": {"ssid": "ssid-1"}}


def test_events_of_a_capture_come_back(tmp_path: Path) -> None:
    header = CaptureHeader("synthetic", "x", "linux", "linux-nl80211", "")
    body = {"kind": "roamed", "bssid": "02:00:00:aa:bb:02", "freq_mhz": None, "width_mhz": None, "code": None}
    file = tmp_path / "events.jsonl"
    write_capture(file, header, [CaptureLine("event", 1.0, 1.0, body), CaptureLine("event", 2.0, 2.0, {"kind": "?"})])
    source = RecordedReader(read_capture(file), FullNames(), lambda: 9.0).events("wlan0")
    (event,) = source.wait(0.0)
    assert (event.kind.value, event.bssid, event.at_s, event.source.kind) == (
        "roamed", "02:00:00:aa:bb:02", 9.0, SourceKind.RECORDED,
    )  # fmt: skip
    assert source.wait(0.0) == ()


GOOD = '{"capture": 1, "origin": "recorded", "shaped_after": "x", "os": "linux", "reader": "linux-nl80211", "note": ""}'


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "is empty"),
        ("{", "line 1: is not JSON"),
        ("[]", "line 1: a JSON object"),
        (GOOD.replace('"capture": 1', '"capture": 9'), "this version reads 1"),
        (GOOD.replace("recorded", "guessed"), "allowed: recorded, synthetic"),
        (GOOD.replace('"note": ""', '"more": ""'), "nothing else"),
        (GOOD + '\n\n{"line": "sample", "at_s": 2, "end_s": 1, "observation": {}}', "line 3: times"),
        (GOOD + '\n{"line": "thing"}', "line 2: is none of"),
    ],
)
def test_what_is_no_capture_is_refused_with_file_and_line(tmp_path: Path, text: str, match: str) -> None:
    file = tmp_path / "bad.jsonl"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=match):
        read_capture(file)


def test_a_capture_of_an_unknown_reader_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "other.jsonl"
    file.write_text(GOOD.replace("linux-nl80211", "sundial"), encoding="utf-8")
    with pytest.raises(UsageError, match="sundial"):
        RecordedReader(read_capture(file), FullNames())
