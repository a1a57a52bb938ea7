"""Network names and BSSIDs are written as labels: equal here, meaningless elsewhere."""

import json
import re
import stat
import sys
from pathlib import Path

import pytest

from sitetest.observe.link.place_names import MAP_FILE, SALT_FILE, FullNames, Labels, normal_bssid, own_labels


def test_equal_names_have_equal_labels_and_others_others() -> None:
    labels = Labels(b"a" * 32)
    first = labels.bssid("02:00:00:AA:BB:01")
    assert first == labels.bssid("2-0-0-aa-bb-1") == Labels(b"a" * 32).bssid("02:00:00:aa:bb:01")
    assert re.fullmatch("ap-[0-9a-f]{8}", first)
    assert labels.bssid("02:00:00:aa:bb:02") != first
    assert Labels(b"b" * 32).bssid("02:00:00:aa:bb:01") != first, "another installation, another label"
    assert re.fullmatch("ssid-[0-9a-f]{8}", labels.ssid(b"quay-street"))


def test_a_label_says_nothing_of_the_name() -> None:
    written = Labels(b"a" * 32).bssid("02:00:00:aa:bb:01") + Labels(b"a" * 32).ssid(b"quay-street")
    assert "aa:bb" not in written
    assert "quay" not in written


def test_full_names_only_when_asked() -> None:
    assert FullNames().bssid("2:0:0:aa:bb:1") == "02:00:00:aa:bb:01"
    assert FullNames().ssid(b"caf\xc3\xa9 \xff") == "caf\u00e9 \\xff"


@pytest.mark.parametrize("address", ["", "02:00:00:aa:bb", "02:00:00:aa:bb:0g", "0200.00aa.bb01", "<redacted>"])
def test_what_is_no_bssid_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match="not a BSSID"):
        normal_bssid(address)


def test_an_installation_keeps_its_salt_and_a_map_for_its_owner(tmp_path: Path) -> None:
    label = own_labels(tmp_path).bssid("02:00:00:aa:bb:01")
    ssid = own_labels(tmp_path).ssid(b"quay-street")
    assert own_labels(tmp_path).bssid("02:00:00:aa:bb:01") == label
    assert json.loads((tmp_path / MAP_FILE).read_text()) == {label: "02:00:00:aa:bb:01", ssid: "quay-street"}
    assert {file.name for file in tmp_path.iterdir()} == {SALT_FILE, MAP_FILE}, "nothing is left beside"
    if sys.platform != "win32":
        assert {stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()} == {0o600}


def test_a_folder_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    blocked = tmp_path / "a-file"
    blocked.write_text("", encoding="utf-8")
    labels = own_labels(blocked / "below")
    assert labels.bssid("02:00:00:aa:bb:01") == labels.bssid("02:00:00:aa:bb:01")


def test_a_damaged_map_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / MAP_FILE).write_text("[1", encoding="utf-8")
    assert own_labels(tmp_path).bssid("02:00:00:aa:bb:01").startswith("ap-")


def test_a_salt_is_long_enough() -> None:
    with pytest.raises(ValueError, match="16 bytes"):
        Labels(b"short")
