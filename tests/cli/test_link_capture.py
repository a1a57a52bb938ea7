"""`sitetest check --capture`: what a (fake) kernel answers becomes a file that the tests can play, without names."""

import json
import re
import time
from collections.abc import Iterator
from pathlib import Path

import fake_kernel as fake
import nl80211_bytes as nl
import pytest
from link_invariants import check_record

from sitetest.cli import link_capture
from sitetest.cli.laptop_reading import read_radio
from sitetest.cli.link_capture import capture_sentences, capture_to, radio_interface
from sitetest.cli.main import main
from sitetest.errors import Exit, UsageError
from sitetest.observe.link.capture_file import read_capture
from sitetest.observe.link.nl80211_reader import Nl80211Reader
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample, SourceKind
from sitetest.observe.link.recorded_reader import RecordedReader

BSSID = "00:00:5e:00:53:01"
"""For documentation (RFC 7042, section 2.1.1), and not locally administered: a stand-in for what must not get out."""


@pytest.fixture
def kernel() -> Iterator[fake.FakeKernel]:
    running = fake.FakeKernel({fake.GET_STATION: fake.several(nl.NEW_STATION, nl.station(bssid=BSSID))})
    yield running
    running.close()


def reader_of(kernel: fake.FakeKernel) -> Nl80211Reader:
    return Nl80211Reader(
        FullNames(),
        open_channel=kernel.open,
        join=kernel.join,
        index_of=lambda name: 3,
        is_wifi=lambda name: True,
        driver_of=lambda name: "example-driver",
        usb_mbps_of=lambda name: None,
        system="Linux 6.12",
    )


def no_pause(_: float) -> None:
    return


def test_a_capture_can_be_played_keeps_every_promise_and_names_nobody(kernel: fake.FakeKernel, tmp_path: Path) -> None:
    file = tmp_path / "link.jsonl"
    captured = capture_to(file, 3, interface="wlp3s0", make_reader=lambda: reader_of(kernel), sleep=no_pause)
    assert captured.lines == {"facts": 2, "sample": 3}
    text = file.read_text(encoding="utf-8")
    addresses = re.findall(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}", text)
    assert addresses
    assert all(address.startswith("02:00:00:") for address in addresses)
    assert "wlp3s0" not in text
    capture = read_capture(file)
    assert (capture.header.origin, capture.header.reader) == ("recorded", "linux-nl80211")
    assert capture.header.note
    player = RecordedReader(capture, FullNames(), clock=lambda: 0.0)
    for _ in range(3):
        sample = player.sample("wlan0", 1.0)
        check_record(sample)
        assert (sample.source.kind, sample.channel, sample.rssi_dbm) == (SourceKind.RECORDED, 36, -52)
    assert "2 facts, 3 sample" in capture_sentences(captured)[0]


def test_without_a_radio_nothing_is_written(tmp_path: Path) -> None:
    """An empty capture would only look like one."""
    file = tmp_path / "link.jsonl"
    with pytest.raises(UsageError, match="pyroute2 is not installed"):
        capture_to(file, 1, interface="eth0", make_reader=lambda: NoReader(explanation="pyroute2 is not installed"))
    wired = fake.FakeKernel({fake.GET_INTERFACE: fake.refused(19)})  # ENODEV: the interface is none of nl80211's
    try:
        with pytest.raises(UsageError, match="eth0 is not a Wi-Fi interface"):
            capture_to(file, 1, interface="eth0", make_reader=lambda: reader_of(wired), sleep=no_pause)
    finally:
        wired.close()
    assert not file.exists()


def test_a_radio_that_answers_with_errors_is_worth_a_capture(tmp_path: Path) -> None:
    """How a driver fails is what a test needs most."""
    shy = fake.FakeKernel({fake.GET_STATION: fake.refused(95), fake.GET_SURVEY: fake.refused(95)})  # EOPNOTSUPP
    try:
        captured = capture_to(
            tmp_path / "link.jsonl", 1, interface="wlan0", make_reader=lambda: reader_of(shy), sleep=no_pause
        )
    finally:
        shy.close()
    assert captured.lines["sample"] == 1


def test_a_file_that_is_there_is_not_overwritten_nor_the_radio_asked(kernel: fake.FakeKernel, tmp_path: Path) -> None:
    file = tmp_path / "link.jsonl"
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="exists already"):
        capture_to(file, 1, interface="wlan0", make_reader=lambda: reader_of(kernel), sleep=no_pause)
    assert file.read_text(encoding="utf-8") == "mine"
    assert kernel.requests == []


def test_on_linux_the_interface_is_the_one_with_a_radio(tmp_path: Path) -> None:
    for name in ("eth0", "wlan1"):
        (tmp_path / name).mkdir()
    with pytest.raises(UsageError, match="no Wi-Fi interface"):
        radio_interface(tmp_path, "linux")
    (tmp_path / "wlan1" / "phy80211").mkdir()
    assert radio_interface(tmp_path, "linux") == "wlan1"


def test_the_command_writes_the_file_and_says_where(
    kernel: fake.FakeKernel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No site and no server are needed."""
    monkeypatch.setattr(link_capture, "radio_interface", lambda: "wlan0")
    monkeypatch.setattr(link_capture, "choose_reader", lambda names: reader_of(kernel))
    file = tmp_path / "link.jsonl"
    assert main(["check", "--capture", str(file), "--seconds", "1", "--json"]) == Exit.DONE
    told = json.loads(capsys.readouterr().out)
    assert (told["command"], told["capture"]["file"], told["capture"]["lines"]["sample"]) == ("check", str(file), 1)
    assert len(read_capture(file).lines) == 3


@pytest.mark.parametrize("options", [["--baseline", "--capture", "x"], ["--wired"]], ids=" ".join)
def test_what_does_not_go_together_is_wrong_use(options: list[str]) -> None:
    assert main(["check", *options]) == Exit.WRONG_USE
    assert not Path("x").exists()


# --- the same radio, read for the check -----------------------------------------------------------------------------


def test_a_radio_that_tells_everything_leaves_no_flag_unknown(kernel: fake.FakeKernel) -> None:
    seen = read_radio("wlan0", lambda: reader_of(kernel), pause=no_pause)
    assert (seen.sample.channel, seen.events, seen.facts.power_save) == (36, True, True)
    assert set(seen.blind) <= {"punctured", "link_set_changed"}, seen.blind


def test_a_radio_that_does_not_tell_its_access_point_leaves_the_flags_that_rest_on_it_unknown() -> None:
    mute = fake.FakeKernel({fake.GET_STATION: fake.refused(95)})  # EOPNOTSUPP
    try:
        seen = read_radio("wlan0", lambda: reader_of(mute), pause=no_pause)
    finally:
        mute.close()
    assert {"roamed", "moved_client"} <= set(seen.blind)


def test_a_reader_that_hangs_does_not_hold_the_check_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sitetest.cli.laptop_reading.RADIO_LIMIT_S", 0.05)

    class Hanging(NoReader):
        def sample(self, interface: str, deadline_s: float) -> LinkSample:
            time.sleep(0.5)
            return super().sample(interface, deadline_s)

    seen = read_radio("wlan0", Hanging, pause=no_pause)
    assert seen.sample.why["rssi_dbm"] is Reason.TIMEOUT
