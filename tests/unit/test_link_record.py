"""The promise of the link record: a value or a reason, never a stand-in."""

from dataclasses import replace

import pytest
from link_invariants import check_record

from sitetest.observe.link.draft import Draft, empty_facts, empty_sample
from sitetest.observe.link.no_reader import SAMPLE_FIELDS, NoReader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.plausible import ALLOWED
from sitetest.observe.link.reader_choice import choose_reader
from sitetest.observe.link.reasons import IN_WORDS, Reason
from sitetest.observe.link.record import LinkSample, Moment, Source, SourceKind

MOMENT = Moment(Source(SourceKind.SIMULATED, "scenario", "linux"), "wlan0", 5.0, 5.002)


def sample(**values: object) -> LinkSample:
    draft = Draft()
    for path, value in values.items():
        draft.put(path.replace("__", "."), value)
    return draft.sample(MOMENT, Reason.NOT_REPORTED_BY_DRIVER)


@pytest.mark.parametrize("reason", list(Reason))
def test_an_empty_record_explains_everything(reason: Reason) -> None:
    for record in (empty_sample(MOMENT, reason), empty_facts(MOMENT, reason)):
        check_record(record)
        assert set(record.why.values()) == {reason}
        assert record.interface == "wlan0"
    assert reason in IN_WORDS


def test_cost_is_the_time_between_before_and_after() -> None:
    assert sample().cost_ms == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("rssi_dbm", 0), ("rssi_dbm", 12), ("rssi_dbm", -100), ("rssi_dbm", -1), ("noise_dbm", 0), ("ssid", ""),
        ("ssid", "N/A"), ("bssid", "00:00:00:00:00:00"), ("freq_mhz", 0), ("freq_mhz", 60480), ("channel", 0),
        ("width_mhz", 0), ("width_mhz", 30), ("tx.mbps", 0.0), ("tx.nss", 0), ("tx.gi_ns", 0), ("retries", -1),
        ("busy_pct", 101.0), ("busy_pct", float("nan")), ("associated", 1), ("phy", "unknown"), ("retries", True),
    ],
)  # fmt: skip
def test_a_stand_in_becomes_null_with_a_reason(path: str, value: object) -> None:
    found = sample(**{path.replace(".", "__"): value})
    check_record(found)
    assert found.why[path.split(".", maxsplit=1)[0]] is Reason.INVALID_VALUE


def test_a_record_refuses_what_breaks_its_promise() -> None:
    good = sample(rssi_dbm=-50)
    without = {path: reason for path, reason in good.why.items() if path != "noise_dbm"}
    for change in (
        {"why": without},
        {"why": {**good.why, "rssi_dbm": Reason.TIMEOUT}},
        {"rssi_dbm": 0},
        {"derived": ("noise_dbm",)},
        {"end_s": 4.0},
    ):
        with pytest.raises(ValueError, match=r"null|reason|cannot|derived"):
            replace(good, **change)


def test_parts_of_a_rate_are_explained_one_by_one() -> None:
    found = sample(tx__mbps=866.7, tx__phy="VHT")
    check_record(found)
    assert {path for path in found.why if path.startswith("tx.")} == {"tx.mcs", "tx.nss", "tx.width_mhz", "tx.gi_ns"}
    assert "rx" in found.why


def test_links_are_empty_known_or_null() -> None:
    draft = Draft()
    draft.links = []
    none = draft.sample(MOMENT, Reason.TIMEOUT)
    check_record(none)
    assert none.links == ()
    link = Draft()
    link.put("link_id", 0)
    link.put("rssi_dbm", 0)
    draft.links = [link]
    one = draft.sample(MOMENT, Reason.TIMEOUT)
    check_record(one)
    assert one.why["links.0.rssi_dbm"] is Reason.INVALID_VALUE
    assert one.why["links.0.tx"] is Reason.TIMEOUT


def test_a_channel_without_a_width_is_judged_by_its_primary() -> None:
    draft = Draft()
    draft.channel(5260, None, None)
    assert draft.sample(MOMENT, Reason.TIMEOUT).dfs is True
    draft.channel(5240, 160, 5250)
    assert draft.sample(MOMENT, Reason.TIMEOUT).dfs is True, "the upper half of this channel lies in the radar range"
    draft.channel(5180, 80, 5210)
    assert draft.sample(MOMENT, Reason.TIMEOUT).dfs is False


@pytest.mark.parametrize("spoil", [{"extra": 1}, {"why": {"rssi_dbm": "because"}}, {"tx": 5}, {"source": {}}])
def test_reading_refuses_what_is_no_record(spoil: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"differ|valid|link record"):
        LinkSample.from_json({**sample().to_json(), **spoil})


def test_every_field_has_its_limits() -> None:
    assert {name for name in SAMPLE_FIELDS if name not in ("tx", "rx", "links")} <= set(ALLOWED)


def test_the_none_reader_tells_why_of_everything() -> None:
    reader = NoReader(Reason.NOT_WIFI, clock=lambda: 3.0, os="linux")
    found = reader.sample("eth0", 4.0)
    check_record(found)
    check_record(reader.facts("eth0", 4.0))
    assert set(found.why.values()) == {Reason.NOT_WIFI}
    assert {name for name, reason in reader.capabilities().items() if reason is None} == {"interface"}


@pytest.mark.parametrize(
    ("platform", "name"), [("linux", "linux-nl80211"), ("win32", "windows-wlanapi"), ("plan9", "none")]
)
def test_the_reader_is_chosen_by_the_system(platform: str, name: str) -> None:
    reader = choose_reader(FullNames(), platform)
    assert (reader.name, reader.kind) == (name, SourceKind.LIVE)
    check_record(reader.sample("no-such-interface", 1e12))
    reader.close()


def test_a_missing_library_is_named() -> None:
    """pyobjc cannot be installed here: what a Mac without it gives."""
    reader = choose_reader(FullNames(), "darwin")
    assert isinstance(reader, NoReader)
    assert "pyobjc-framework-CoreWLAN" in reader.explanation
