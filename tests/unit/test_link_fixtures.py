"""Fixtures in the documented shapes, read by the decoders: synthetic ones, and captures of real links once somebody
gives one (`sitetest check --capture`)."""

import json
import re
from pathlib import Path

import pytest
from link_invariants import check_rate, check_record

from sitetest.observe.link.capture_file import read_capture
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, SourceKind
from sitetest.observe.link.recorded_reader import RecordedReader

FOLDER = Path(__file__).parents[1] / "fixtures" / "link"
FILES = sorted(FOLDER.glob("*.jsonl"))


def played(name: str) -> tuple[list[LinkSample], list[LinkFacts]]:
    capture = read_capture(FOLDER / name)
    reader = RecordedReader(capture, FullNames(), clock=lambda: 100.0)
    kinds = [line.line for line in capture.lines]
    samples = [reader.sample("wlan0", 101.0) for _ in range(kinds.count("sample"))]
    return samples, [reader.facts("wlan0", 101.0) for _ in range(kinds.count("facts"))]


def test_there_are_fixtures_of_every_system() -> None:
    assert {read_capture(file).header.os for file in FILES} == {"linux", "darwin", "win32"}


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_fixture_says_where_it_is_from_and_names_nobody(file: Path) -> None:
    header = read_capture(file).header
    assert header.origin in {"synthetic", "recorded"}
    assert header.shaped_after
    assert header.note
    text = file.read_text(encoding="utf-8")
    addresses = re.findall(r"(?<![0-9a-f:])[0-9a-f]{1,2}(?::[0-9a-f]{1,2}){5}", text)
    assert all(int(address.split(":")[0], 16) & 0b11 == 0b10 for address in addresses), "locally administered, unicast"


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_record_keeps_its_promise_and_every_full_rate_the_formula(file: Path) -> None:
    samples, facts = played(file.name)
    assert samples
    records: list[LinkSample | LinkFacts] = [*samples, *facts]
    for record in records:
        check_record(record)
        assert record.source.kind is SourceKind.RECORDED
        check_rate(record.tx)
    for sample in samples:
        check_rate(sample.rx)
        for link in sample.links or ():
            check_rate(link.tx)
            check_rate(link.rx)


def test_full_rates_are_really_met() -> None:
    """So that the check of the formula above cannot pass by never being made."""
    rates = [
        rate
        for file in FILES
        for sample in played(file.name)[0]
        for rate in (sample.tx, sample.rx)
        if rate is not None and None not in (rate.mcs, rate.nss, rate.width_mhz, rate.gi_ns)
    ]
    assert {rate.phy for rate in rates} == {"HT", "VHT", "HE", "EHT"}
    assert len(rates) >= 15


def test_linux_he80() -> None:
    (first, second, third), (before, _) = played("linux_he80.jsonl")
    assert (first.band, first.channel, first.freq_mhz, first.centre_mhz, first.width_mhz) == ("5", 36, 5180, 5210, 80)
    assert (first.ssid, first.bssid, first.dfs, first.associated, first.mlo) == (
        "ssid-1", "02:00:00:aa:bb:01", False, True, False,
    )  # fmt: skip
    assert (first.rssi_dbm, first.rssi_avg_dbm, first.noise_dbm, first.phy) == (-52, -53, -92, "HE")
    assert first.why["busy_pct"] is Reason.NOT_SAMPLED
    assert second.busy_pct == pytest.approx(35.0)
    assert "busy_pct" in second.derived
    assert (third.bssid, third.channel) == ("02:00:00:aa:bb:02", 149)
    assert third.why["noise_dbm"] is Reason.NOT_SAMPLED
    assert (before.power_save, before.tx_power_dbm, before.driver) == (False, 22.0, "example-driver")


def test_linux_older_generations() -> None:
    (ht, vht, idle), _ = played("linux_ht_vht_legacy.jsonl")
    assert ht.tx is not None
    assert (ht.band, ht.tx.mbps, ht.tx.mcs, ht.tx.nss, ht.tx.width_mhz, ht.tx.gi_ns) == ("2.4", 300.0, 15, 2, 40, 400)
    assert "tx.nss" in ht.derived
    assert vht.tx is not None
    assert (vht.tx.mbps, vht.tx.nss, vht.tx.phy) == (1733.3, 4, "VHT")
    assert idle.rx is not None
    assert (idle.rx.mbps, idle.rx.phy, idle.rx.width_mhz, idle.rx.mcs) == (6.0, "legacy", 20, None)
    assert idle.phy == "VHT", "a management frame does not make the association an old one"


def test_linux_multi_link() -> None:
    (single, several, one_left, partial), _ = played("linux_eht_multi_link.jsonl")
    assert single.tx is not None
    assert (single.band, single.width_mhz, single.tx.mbps, single.tx.width_mhz) == ("6", 320, 11529.4, 320)
    assert several.mlo is True
    assert {several.why[path] for path in ("freq_mhz", "channel", "band", "width_mhz", "dfs")} == {
        Reason.MLO_MULTIPLE_LINKS
    }
    assert several.links is not None
    assert [(link.link_id, link.bssid, link.band, link.width_mhz, link.rssi_dbm) for link in several.links] == [
        (0, "02:00:00:aa:bb:a0", "5", 160, -54),
        (1, "02:00:00:aa:bb:a1", "6", 320, -60),
    ]
    assert several.links[1].punctured == 12
    assert several.bssid == "02:00:00:aa:bb:0f"
    assert one_left.links is not None
    assert (one_left.mlo, len(one_left.links), one_left.freq_mhz, one_left.width_mhz) == (True, 1, 5180, 160)
    assert one_left.links[0].bssid is None, "the interface's answer has the laptop's own address there"
    assert partial.tx is not None
    assert partial.tx.width_mhz is None, "a partial resource unit has no width of its own"
    assert partial.rx is not None
    assert partial.rx.width_mhz == 80


def test_linux_failures() -> None:
    (gone, alone, blocked, damaged, terse, peer), _ = played("linux_failures.jsonl")
    assert set(gone.why.values()) == {Reason.NO_SUCH_INTERFACE, Reason.NOT_SAMPLED}
    assert (alone.associated, alone.why["bssid"]) == (False, Reason.NOT_ASSOCIATED)
    assert blocked.why["rssi_dbm"] is Reason.NETLINK_BLOCKED
    assert damaged.why["tx"] is Reason.PARSE_ERROR
    assert (damaged.rssi_dbm, damaged.rssi_avg_dbm) == (-53, -53), "the average stands in for the damaged reading"
    assert "rssi_dbm" in damaged.derived
    assert damaged.rx is not None
    assert (terse.rssi_dbm, terse.beacon_rssi_dbm, "rssi_dbm" in terse.derived) == (-20, -20, True)
    assert terse.tx is not None
    assert (terse.tx.mbps, terse.tx.width_mhz, terse.tx.phy) == (866.7, None, None)
    assert terse.why["rx"] is Reason.NOT_REPORTED_BY_DRIVER
    assert (peer.bssid, peer.rssi_dbm) == ("02:00:00:aa:bb:01", -52), "a direct-link peer is no access point"


def test_macos() -> None:
    (hidden, shown, nothing, off, odd), (he160, ht20, he20) = played("macos_he160.jsonl")
    assert hidden.why["bssid"] is hidden.why["ssid"] is Reason.NEEDS_LOCATION_PERMISSION
    assert (hidden.freq_mhz, hidden.channel, hidden.width_mhz, hidden.phy) == (5200, 40, 160, "HE")
    assert "freq_mhz" in hidden.derived
    assert hidden.why["rx"] is Reason.NOT_SUPPORTED_BY_OS
    assert hidden.why["tx.mcs"] is Reason.NOT_SAMPLED
    assert shown.bssid == "02:00:00:aa:bb:01", "an unpadded address is the same address"
    assert nothing.why["rssi_dbm"] is nothing.why["tx"] is Reason.INVALID_VALUE
    assert (off.associated, off.why["rssi_dbm"]) == (False, Reason.NOT_ASSOCIATED)
    assert (odd.band, odd.channel, odd.freq_mhz, odd.why["width_mhz"]) == ("6", 37, 6135, Reason.INVALID_VALUE)
    found = [(facts.tx.mcs, facts.tx.nss, facts.tx.gi_ns) for facts in (he160, ht20, he20) if facts.tx is not None]
    assert found == [(6, 2, 800), (15, 2, 400), (9, 2, 800)]  # checked by hand with the formula of 802.11
    assert set(he160.derived) == {"tx.nss", "tx.gi_ns"}


def test_windows() -> None:
    (plain, kilohertz, links, older, ambiguous, away, stopped, damaged), _ = played("windows_vht80.jsonl")
    assert (plain.freq_mhz, plain.channel, plain.width_mhz, plain.rssi_dbm, plain.phy) == (5745, 149, 80, -47, "VHT")
    assert plain.why["bssid"] is Reason.NEEDS_LOCATION_PERMISSION
    assert plain.tx is not None
    assert plain.rx is not None
    assert (plain.tx.mbps, plain.rx.mbps) == (866.7, 780.0)
    assert (kilohertz.freq_mhz, kilohertz.bssid, kilohertz.ssid) == (5745, "02:00:00:aa:bb:01", "ssid-1")
    assert links.links is not None
    assert [(link.link_id, link.band, link.width_mhz) for link in links.links] == [(0, "5", 80), (1, "6", 320)]
    assert links.why["freq_mhz"] is Reason.MLO_MULTIPLE_LINKS
    assert (older.rssi_dbm, older.channel, older.why["width_mhz"]) == (-47, 149, Reason.NOT_SUPPORTED_BY_OS)
    assert (ambiguous.channel, ambiguous.band) == (6, "2.4"), "6 GHz has no channel 6"
    assert (away.associated, away.why["tx"]) == (False, Reason.NOT_ASSOCIATED)
    assert stopped.why["associated"] is Reason.READER_UNAVAILABLE
    assert damaged.why["phy"] is Reason.NEEDS_LOCATION_PERMISSION, "the connection would tell, but is hidden"


def test_a_fixture_is_one_json_document_a_line() -> None:
    for file in FILES:
        for line in file.read_text(encoding="utf-8").splitlines():
            assert isinstance(json.loads(line), dict)
