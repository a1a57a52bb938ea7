"""The whole request path against a fake kernel on a socket pair."""

import errno
import itertools
import socket
import threading
import time
from collections.abc import Iterator

import fake_kernel as fake
import nl80211_bytes as nl
import pytest
from link_invariants import check_record

from sitetest.observe.link.events import LinkEventKind
from sitetest.observe.link.nl80211_events import Nl80211Events
from sitetest.observe.link.nl80211_messages import load_messages
from sitetest.observe.link.nl80211_reader import Nl80211Reader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reader import Clock
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample, Source, SourceKind


@pytest.fixture
def kernels() -> Iterator[list[fake.FakeKernel]]:
    started: list[fake.FakeKernel] = []
    yield started
    for kernel in started:
        kernel.close()


def reader_of(kernel: fake.FakeKernel, clock: Clock = time.monotonic, *, wifi: bool = True) -> Nl80211Reader:
    return Nl80211Reader(
        FullNames(),
        clock=clock,
        open_channel=kernel.open,
        join=kernel.join,
        index_of=lambda name: 3,
        is_wifi=lambda name: wifi,
        driver_of=lambda name: "example-driver",
        usb_mbps_of=lambda name: 480.0,
        system="Linux 6.12",
    )


def sample_with(
    kernels: list[fake.FakeKernel], answers: dict[int, fake.Answer | list[fake.Answer]], *, wifi: bool = True
) -> LinkSample:
    kernels.append(fake.FakeKernel(answers))
    sample = reader_of(kernels[-1], wifi=wifi).sample("wlan0", time.monotonic() + 5)
    check_record(sample)
    return sample


def test_a_sample_asks_for_interface_station_and_survey_only(kernels: list[fake.FakeKernel]) -> None:
    kernels.append(fake.FakeKernel())
    sample = reader_of(kernels[0]).sample("wlan0", time.monotonic() + 5)
    check_record(sample)
    assert (sample.bssid, sample.rssi_dbm, sample.noise_dbm, sample.channel) == ("02:00:00:aa:bb:01", -52, -92, 36)
    assert sample.source == Source(SourceKind.LIVE, "linux-nl80211", "linux")
    assert kernels[0].requests == [fake.GET_INTERFACE, fake.GET_STATION, fake.GET_SURVEY]


def test_facts_are_power_save_and_driver(kernels: list[fake.FakeKernel]) -> None:
    kernels.append(fake.FakeKernel())
    facts = reader_of(kernels[0]).facts("wlan0", time.monotonic() + 5)
    check_record(facts)
    assert (facts.power_save, facts.tx_power_dbm, facts.driver, facts.usb_mbps) == (True, 22.0, "example-driver", 480)


def test_a_multipart_answer_is_read_to_its_end(kernels: list[fake.FakeKernel]) -> None:
    """Several datagrams, several messages in one, unknown attributes and a stranger's message in between."""
    peer_flags = nl.attribute(17, (0xFE).to_bytes(4, "little") + (0b1000000).to_bytes(4, "little"))
    peer = nl.station(bssid="02:00:00:00:00:77", info=nl.nest(21, nl.s8(7, -30), peer_flags))

    def answer(sequence: int) -> list[bytes]:
        stranger = nl.generic(nl.NEW_STATION, nl.station(bssid="02:00:00:00:00:66"), sequence=sequence + 77)
        strange = nl.attribute(900, b"whatever") + nl.nest(901, nl.u32(1, 2))
        return [
            nl.generic(nl.NEW_STATION, peer, flags=2, sequence=sequence) + stranger,
            nl.generic(nl.NEW_STATION, strange, nl.station(), flags=2, sequence=sequence),
            nl.done(sequence),
        ]

    sample = sample_with(kernels, {fake.GET_STATION: answer})
    assert (sample.bssid, sample.rssi_dbm) == ("02:00:00:aa:bb:01", -52)


@pytest.mark.parametrize(
    ("code", "wifi", "reason"),
    [
        (errno.ENODEV, True, Reason.NO_SUCH_INTERFACE),
        (errno.ENODEV, False, Reason.NOT_WIFI),
        (errno.EPERM, True, Reason.NETLINK_BLOCKED),
        (errno.EOPNOTSUPP, True, Reason.NOT_REPORTED_BY_DRIVER),
    ],
)
def test_an_error_of_the_kernel_becomes_a_reason(
    kernels: list[fake.FakeKernel], code: int, wifi: bool, reason: Reason
) -> None:
    sample = sample_with(kernels, {fake.GET_INTERFACE: fake.refused(code)}, wifi=wifi)
    assert sample.associated is None
    assert sample.why["rssi_dbm"] is sample.why["bssid"] is reason


def test_a_kernel_without_wifi_says_so(kernels: list[fake.FakeKernel]) -> None:
    kernels.append(fake.FakeKernel(family=fake.refused(errno.ENOENT)))
    reader = reader_of(kernels[0])
    assert reader.sample("wlan0", time.monotonic() + 5).why["tx"] is Reason.READER_UNAVAILABLE
    assert reader.events("wlan0") is None


@pytest.mark.parametrize("code", [errno.EPERM, errno.EAFNOSUPPORT])
def test_a_forbidden_socket_is_a_reason(code: int) -> None:
    def blocked() -> socket.socket:
        raise OSError(code, "blocked")

    reader = Nl80211Reader(FullNames(), open_channel=blocked, index_of=lambda name: 3)
    sample = reader.sample("wlan0", time.monotonic() + 5)
    check_record(sample)
    assert sample.why["rssi_dbm"] is Reason.NETLINK_BLOCKED
    assert reader.events("wlan0") is None


def test_an_interface_that_has_no_number_is_gone(kernels: list[fake.FakeKernel]) -> None:
    def gone(name: str) -> int:
        raise OSError(errno.ENODEV, name)

    reader = Nl80211Reader(FullNames(), open_channel=fake.FakeKernel().open, index_of=gone)
    assert reader.sample("wlan9", time.monotonic() + 5).why["tx"] is Reason.NO_SUCH_INTERFACE


def test_no_station_is_not_associated(kernels: list[fake.FakeKernel]) -> None:
    sample = sample_with(kernels, {fake.GET_STATION: fake.several(nl.NEW_STATION)})
    assert (sample.associated, sample.why["rssi_dbm"]) == (False, Reason.NOT_ASSOCIATED)


def test_an_interrupted_dump_is_asked_for_once_more(kernels: list[fake.FakeKernel]) -> None:
    stale = fake.several(nl.NEW_STATION, nl.station(bssid="02:00:00:00:00:66"), flags=16)
    fresh = fake.several(nl.NEW_STATION, nl.station())
    sample = sample_with(kernels, {fake.GET_STATION: [stale, fresh]})
    assert sample.bssid == "02:00:00:aa:bb:01"
    assert kernels[0].requests.count(fake.GET_STATION) == 2


def test_a_dump_that_stays_interrupted_is_not_asked_for_for_ever(kernels: list[fake.FakeKernel]) -> None:
    sample = sample_with(kernels, {fake.GET_STATION: fake.several(nl.NEW_STATION, nl.station(), flags=16)})
    assert sample.bssid == "02:00:00:aa:bb:01"
    assert kernels[0].requests.count(fake.GET_STATION) == 2


def test_silence_ends_at_the_deadline_and_its_late_answer_is_passed_over(kernels: list[fake.FakeKernel]) -> None:
    late = nl.generic(nl.NEW_INTERFACE, nl.interface(freq_mhz=5745), sequence=2) + nl.error(0, 2)
    kernels.append(fake.FakeKernel({fake.GET_INTERFACE: [fake.silence, fake.one(nl.NEW_INTERFACE, nl.interface())]}))
    reader = reader_of(kernels[0])
    first = reader.sample("wlan0", time.monotonic() + 0.05)
    check_record(first)
    assert first.why["rssi_dbm"] is Reason.TIMEOUT
    kernels[0].say(late)
    assert reader.sample("wlan0", time.monotonic() + 5).freq_mhz == 5180


def test_garbage_is_a_parse_error(kernels: list[fake.FakeKernel]) -> None:
    sample = sample_with(kernels, {fake.GET_INTERFACE: lambda sequence: [b"\x03\0\0"]})
    assert sample.why["rssi_dbm"] is Reason.PARSE_ERROR


def test_a_survey_that_is_slow_or_refused_is_not_asked_for_again(kernels: list[fake.FakeKernel]) -> None:
    kernels.append(fake.FakeKernel({fake.GET_SURVEY: fake.refused(errno.EOPNOTSUPP)}))
    reader = reader_of(kernels[0])
    reader.sample("wlan0", time.monotonic() + 5)
    second = reader.sample("wlan0", time.monotonic() + 5)
    assert second.why["noise_dbm"] is Reason.NOT_SAMPLED
    kernels.append(fake.FakeKernel())
    ticks = itertools.count()
    slow = reader_of(kernels[1], clock=lambda: next(ticks) * 0.01)  # every look at the clock costs 10 ms
    for _ in range(4):
        slow.sample("wlan0", 1e9)
    assert kernels[1].requests.count(fake.GET_SURVEY) == 2, "once is forgiven"


def listening(kernels: list[fake.FakeKernel]) -> Nl80211Events:
    kernels.append(fake.FakeKernel())
    events = reader_of(kernels[0]).events("wlan0")
    assert events is not None
    assert kernels[0].joined == [nl.GROUP_IDS["mlme"], nl.GROUP_IDS["scan"]]
    return events


def test_events_are_decoded_and_those_of_other_interfaces_are_not_ours(kernels: list[fake.FakeKernel]) -> None:
    events = listening(kernels)
    channel = (nl.u32(38, 5745), nl.u32(159, 3), nl.u32(160, 5775))
    kernels[0].say(
        nl.generic(47, nl.u32(3, 3), nl.address(6, "02:00:00:aa:bb:02"))
        + nl.generic(47, nl.u32(3, 4), nl.address(6, "02:00:00:00:00:66"))
        + nl.generic(88, nl.u32(3, 3), *channel)
        + nl.generic(110, nl.u32(3, 3), *channel)
        + nl.generic(48, nl.u32(3, 3), nl.u16(54, 3))
        + nl.generic(46, nl.u32(3, 3), nl.u16(72, 0), nl.address(6, "02:00:00:aa:bb:02"))
        + nl.generic(46, nl.u32(3, 3), nl.u16(72, 17))
        + nl.generic(33, nl.u32(3, 3)) + nl.generic(34, nl.u32(3, 3)) + nl.generic(35, nl.u32(3, 3))
        + nl.generic(64, nl.u32(3, 3)) + nl.generic(36)
    )  # fmt: skip
    found = events.wait(5)
    assert [(event.kind.value, event.bssid, event.freq_mhz, event.width_mhz, event.code) for event in found] == [
        ("roamed", "02:00:00:aa:bb:02", None, None, None),
        ("channel_switched", None, 5745, 80, None),
        ("channel_switch_started", None, 5745, 80, None),
        ("disconnected", None, None, None, 3),
        ("connected", "02:00:00:aa:bb:02", None, None, 0),
        ("connect_failed", None, None, None, 17),
        ("scan_started", None, None, None, None),
        ("scan_finished", None, None, None, None),
        ("scan_aborted", None, None, None, None),
    ]
    events.close()


def test_a_quiet_socket_gives_nothing(kernels: list[fake.FakeKernel]) -> None:
    assert listening(kernels).wait(0.001) == ()


class Overrun:
    """A socket whose kernel dropped messages, once, and then has one."""

    def __init__(self, problem: OSError) -> None:
        self.problem: OSError | None = problem

    def send(self, data: bytes, /) -> int:
        raise AssertionError("nothing is sent here")

    def recv(self, size: int, /) -> bytes:
        if self.problem is not None:
            problem, self.problem = self.problem, None
            raise problem
        return nl.generic(33, nl.u32(3, 3))

    def settimeout(self, limit_s: float | None, /) -> None:
        """Waits for nothing."""

    def close(self) -> None:
        """Nothing is held."""


@pytest.mark.parametrize(("code", "goes_on"), [(errno.ENOBUFS, True), (errno.EBADF, False)])
def test_lost_events_are_said(code: int, goes_on: bool) -> None:
    """After an overrun (netlink(7): ENOBUFS) listening goes on; a broken socket is told once."""
    events = Nl80211Events(
        Overrun(OSError(code, "")), family=nl.FAMILY_ID, index=3, interface="wlan0", messages=load_messages(),
        names=FullNames(), source=Source(SourceKind.LIVE, "linux-nl80211", "linux"), clock=lambda: 7.0,
    )  # fmt: skip
    assert [event.kind for event in events.wait(1)] == [LinkEventKind.EVENTS_LOST]
    assert [event.kind for event in events.wait(1)] == ([LinkEventKind.SCAN_STARTED] if goes_on else [])


def test_garbage_between_events_is_lost_events(kernels: list[fake.FakeKernel]) -> None:
    events = listening(kernels)
    kernels[0].say(nl.generic(33, nl.u32(3, 3)) + b"\x07\0\0\0")
    assert [event.kind.value for event in events.wait(5)] == ["scan_started", "events_lost"]


def test_the_reader_has_one_socket_and_gives_it_back(kernels: list[fake.FakeKernel]) -> None:
    kernels.append(fake.FakeKernel())
    reader = reader_of(kernels[0])
    for _ in range(3):
        reader.sample("wlan0", time.monotonic() + 5)
    assert len(kernels[0].client_ends) == 1
    reader.close()
    reader.close()
    assert kernels[0].client_ends[0].fileno() == -1
    assert threading.active_count() < 20
