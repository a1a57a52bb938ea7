"""Host facts of both ends from fake sources: cores, bytes, other traffic, clocks, power. No hardware is needed."""

import itertools
import socket
from collections import namedtuple
from collections.abc import Callable, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.observe.clocks import ClockEventKind, Instant, clock_events, instant_reader, slept_s
from sitetest.observe.host import HostReader, HostSample, HostSources, interface_bytes
from sitetest.observe.link.reasons import Reason
from sitetest.observe.power import (
    NO_BATTERY,
    Power,
    linux_saver,
    read_power,
    saver_of_pmset,
    saver_of_windows,
    saver_reader,
)
from sitetest.observe.system import own_addresses, system_facts
from sitetest_server import host_facts
from sitetest_wire.core_load import CoreTimes, core_load, core_times
from sitetest_wire.interface_traffic import WRAP_32_BIT, InterfaceBytes, bytes_between, other_traffic
from sitetest_wire.local_interface import OwnAddress, interface_of, is_routed

# -- cores -------------------------------------------------------------------------------------------------------


def test_busy_is_user_system_and_softirq_and_nothing_is_counted_twice() -> None:
    """proc(5): guest is in user already; iowait and steal are no work of ours."""
    linux = namedtuple("linux", "user nice system idle iowait irq softirq steal guest guest_nice")
    assert core_times(linux(10, 1, 5, 50, 4, 1, 3, 6, 9, 1)) == CoreTimes(busy_s=20, total_s=80)
    assert core_times(SimpleNamespace(user=3, system=2, idle=5, interrupt=1, dpc=1)) == CoreTimes(5, 10)


def test_the_busiest_core_shows_what_the_mean_hides() -> None:
    before = [CoreTimes(100, 1000), CoreTimes(200, 1000), CoreTimes(0, 0), CoreTimes(0, 1000)]
    after = [CoreTimes(101, 1001), CoreTimes(200.2, 1001), CoreTimes(0, 0), CoreTimes(0, 1001)]
    load = core_load(before, after)
    assert load is not None
    assert load.busiest_pct == pytest.approx(100)
    assert load.mean_pct == pytest.approx(40), "over the three cores that had time"


def test_counters_that_went_back_and_cores_that_went_away_are_no_load() -> None:
    assert core_load([CoreTimes(5, 10)], [CoreTimes(4, 9)]) is None
    assert core_load([CoreTimes(5, 10)], [CoreTimes(5, 10)] * 2) is None
    assert core_load([], []) is None


# -- bytes -------------------------------------------------------------------------------------------------------


def test_32_bit_counters_wrap() -> None:
    """The true difference is 100,000,000; a repair that adds a whole counter misses it."""
    before = InterfaceBytes(WRAP_32_BIT - 40_000_000, 7)
    after = InterfaceBytes(60_000_000, 9)
    assert bytes_between(before, after, wrap=WRAP_32_BIT) == InterfaceBytes(100_000_000, 2)
    assert bytes_between(before, after) is None


@given(st.integers(0, 2**40), st.integers(0, 2**32 - 1))
def test_any_difference_below_the_wrap_survives_it(start: int, moved: int) -> None:
    before, after = InterfaceBytes(start % 2**32, 0), InterfaceBytes((start + moved) % 2**32, 0)
    assert bytes_between(before, after, wrap=WRAP_32_BIT) == InterfaceBytes(moved, 0)


def test_other_traffic_is_what_the_frames_of_the_test_do_not_explain() -> None:
    """1000 full segments: 1448 of payload in frames of 1514 (RFC 894, RFC 7323 appendix A); one second."""
    alone = other_traffic(1000 * 1514, 1000 * 1448, 1.0)
    assert alone.mbps == pytest.approx(0, abs=1e-9)
    assert not alone.seen
    assert alone.tolerance_mbps == pytest.approx(0.05 * 1000 * 1448 * 8 / 1e6 + 1)
    with_acks = other_traffic(1000 * 1514 + 500 * 66, 1000 * 1448, 1.0)
    assert not with_acks.seen, "one acknowledgement of 66 bytes for two segments"
    shared = other_traffic(1000 * 1514 + 5_000_000 / 8, 1000 * 1448, 1.0)
    assert shared.mbps == pytest.approx(5)
    assert shared.seen
    assert other_traffic(1000, 1_448_000, 1.0).mbps == 0, "offloads may count less than was carried"


# -- clocks ------------------------------------------------------------------------------------------------------


def test_sleep_is_told_from_a_clock_that_was_set_and_from_a_stall() -> None:
    start = Instant(100.0, 500.0, 1e9)
    slept = Instant(101.0, 531.0, 1e9 + 31)
    assert slept_s(start, slept) == 30
    assert [(e.kind, e.seconds) for e in clock_events(start, slept, 1.0)] == [(ClockEventKind.SUSPEND, 30)]
    stepped = Instant(101.0, 501.0, 1e9 - 3599)
    assert [(e.kind, e.seconds) for e in clock_events(start, stepped, 1.0)] == [(ClockEventKind.CLOCK_STEP, -3600)]
    stalled = Instant(103.5, 503.5, 1e9 + 3.5)
    assert [(e.kind, e.seconds) for e in clock_events(start, stalled, 1.0)] == [(ClockEventKind.STALL, 3.5)]
    both = Instant(101.0, 531.0, 1e9 + 131)
    assert [e.kind for e in clock_events(start, both, 1.0)] == [ClockEventKind.SUSPEND, ClockEventKind.CLOCK_STEP]


@pytest.mark.parametrize("after", [Instant(101.0, 501.00003, 1e9 + 1), Instant(102.9, 502.9, 1e9 + 2.9)])
def test_an_ordinary_second_is_no_event(after: Instant) -> None:
    """Reading two clocks one after the other differs by 31 us (measured); a late sample is within three periods."""
    assert clock_events(Instant(100.0, 500.0, 1e9), after, 1.0) == ()


def test_without_a_second_clock_sleep_is_not_told() -> None:
    before, after = Instant(100.0, None, 1e9), Instant(101.0, None, 1e9 + 31)
    assert slept_s(before, after) is None
    assert [e.kind for e in clock_events(before, after, 1.0)] == [ClockEventKind.CLOCK_STEP]


def test_this_systems_clocks_agree_while_it_is_awake() -> None:
    read = instant_reader()
    before, after = read(), read()
    assert slept_s(before, after) in (0.0, None)
    assert instant_reader("plan9")().running_s is None


# -- power -------------------------------------------------------------------------------------------------------


def battery(percent: float, plugged: bool | None) -> Callable[[], Any]:
    return lambda: SimpleNamespace(percent=percent, power_plugged=plugged, secsleft=1)


def test_power_of_a_laptop_and_of_a_computer_without_battery() -> None:
    assert read_power(battery=battery(81, False), saver=lambda: True) == Power(False, 81.0, True, {})
    none = read_power(battery=lambda: None, saver=lambda: False)
    assert (none.plugged, none.battery_pct, none.why) == (True, None, {"battery_pct": NO_BATTERY})


def test_what_is_not_told_about_power_has_a_reason() -> None:
    assert set(read_power(battery=None, saver=lambda: None).why) == {"plugged", "battery_pct", "saver"}
    odd = read_power(battery=battery(255, None), saver=lambda: False)
    assert (odd.plugged, odd.battery_pct) == (None, None)
    assert set(odd.why) == {"plugged", "battery_pct"}

    def broken() -> Any:
        raise OSError

    assert read_power(battery=broken, saver=lambda: False).plugged is None


def test_saver_modes(tmp_path: Path) -> None:
    """Linux: sysfs-platform_profile. macOS: shape from memory. Windows: SYSTEM_POWER_STATUS, fourth octet."""
    profile = tmp_path / "platform_profile"
    assert linux_saver(profile) is None
    profile.write_text("low-power\n")
    assert linux_saver(profile) is True
    profile.write_text("balanced\n")
    assert linux_saver(profile) is False
    assert saver_of_pmset("Currently in use:\n standby 1\n lowpowermode         1\n") is True
    assert saver_of_pmset(" lowpowermode 0\n") is False
    assert saver_of_pmset("Currently in use:\n lowpowermode\n") is None
    assert saver_of_windows(bytes([1, 8, 80, 1]) + bytes(8)) is True
    assert saver_of_windows(bytes(12)) is False
    assert saver_of_windows(b"") is None
    assert saver_reader("plan9")() is None


# -- the record a second -----------------------------------------------------------------------------------------


class Laptop:
    """Each reading is a second after the one before; one core of two is busy, and 1 MB a second is received."""

    def __init__(self, counters: Callable[[str], InterfaceBytes] | None = None) -> None:
        self.reading = 0
        self.given = counters

    def sources(self, wrap: int | None = None) -> HostSources:
        return HostSources(
            cores=self.cores,
            counters=self.given or self.counters,
            own_cpu_s=lambda: 0.03 * self.reading,
            power=lambda: Power(True, 50.0, None, {"saver": Reason.NOT_SUPPORTED_BY_OS}),
            instant=lambda: Instant(float(self.reading), float(self.reading), 1e9 + self.reading),
            monotonic_s=lambda: float(self.reading),
            wrap=wrap,
        )

    def cores(self) -> list[CoreTimes]:
        self.reading += 1
        return [CoreTimes(0.9 * self.reading, self.reading), CoreTimes(0.1 * self.reading, self.reading)]

    def counters(self, interface: str) -> InterfaceBytes:
        return {"wlan0": InterfaceBytes(4_294_000_000 + 1_000_000 * self.reading, 5 * self.reading)}[interface]


def nulls_have_reasons(sample: HostSample) -> None:
    empty = {name for name in sample.__slots__ if getattr(sample, name) is None}
    assert empty == set(sample.why)


def test_one_second_of_a_laptop() -> None:
    reader = HostReader("wlan0", sources=Laptop().sources())
    reader.prime()
    sample = reader.sample()
    assert (sample.at_s, sample.length_s) == (2.0, 1.0)
    assert sample.busiest_core_pct == pytest.approx(90)
    assert sample.mean_core_pct == pytest.approx(50)
    assert sample.agent_pct == pytest.approx(3)
    assert (sample.received_bytes, sample.sent_bytes) == (1_000_000, 5)
    assert (sample.plugged, sample.battery_pct, sample.slept_s, sample.events) == (True, 50.0, 0.0, ())
    nulls_have_reasons(sample)


def test_nothing_is_a_difference_before_there_were_two_readings() -> None:
    sample = HostReader("wlan0", sources=Laptop().sources()).sample()
    assert sample.busiest_core_pct is None
    assert set(sample.why.values()) == {Reason.NOT_SAMPLED, Reason.NOT_SUPPORTED_BY_OS}
    nulls_have_reasons(sample)


def failing(problem: Exception) -> Callable[[str], InterfaceBytes]:
    def read(_interface: str) -> InterfaceBytes:
        raise problem

    return read


@pytest.mark.parametrize(
    ("interface", "counters", "reason"),
    [
        (None, None, Reason.NO_SUCH_INTERFACE),
        ("wlan7", None, Reason.NO_SUCH_INTERFACE),
        ("wlan0", failing(OSError()), Reason.READER_UNAVAILABLE),
        ("wlan0", failing(psutil.AccessDenied()), Reason.READER_UNAVAILABLE),
    ],
)
def test_an_interface_that_cannot_be_read_is_null_and_the_rest_stays(
    interface: str | None, counters: Callable[[str], InterfaceBytes] | None, reason: Reason
) -> None:
    reader = HostReader(interface, sources=Laptop(counters).sources())
    reader.prime()
    sample = reader.sample()
    assert sample.received_bytes is None
    assert sample.why["received_bytes"] == reason
    assert sample.busiest_core_pct is not None
    nulls_have_reasons(sample)


def test_an_interface_that_came_back_is_no_traffic_below_zero() -> None:
    counts = itertools.chain([InterfaceBytes(5000, 5000)], itertools.repeat(InterfaceBytes(10, 10)))
    reader = HostReader("wlan0", sources=Laptop(lambda _: next(counts)).sources())
    reader.prime()
    first, second = reader.sample(), reader.sample()
    assert (first.received_bytes, first.why["received_bytes"]) == (None, Reason.INVALID_VALUE)
    assert second.received_bytes == 0


def test_this_systems_own_sources_work() -> None:
    loopback = interface_of("127.0.0.1", own_addresses())
    assert loopback is not None
    before = interface_bytes(loopback)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.sendto(bytes(1000), sock.getsockname())
    moved = bytes_between(before, interface_bytes(loopback))
    assert moved is not None
    assert moved.received >= 1028, "1000 octets, 8 of UDP, 20 of IPv4"
    reader = HostReader(loopback)
    reader.prime()
    sample = reader.sample()
    assert sample.received_bytes is not None
    assert sample.cost_ms < 1000
    nulls_have_reasons(sample)


# -- the server's end --------------------------------------------------------------------------------------------


def server_sources(laptop: Laptop, counters: Callable[[], Mapping[str, InterfaceBytes]]) -> host_facts.HostSources:
    return host_facts.HostSources(
        cores=laptop.cores, counters=counters, cpu_s=lambda: 0.5 * laptop.reading, clock=lambda: float(laptop.reading)
    )


def test_one_second_of_the_server() -> None:
    machine = Laptop()
    facts = host_facts.HostFacts(
        "eth0", sources=server_sources(machine, lambda: {"eth0": InterfaceBytes(0, 10 * machine.reading)})
    )
    load = facts.load()
    assert (load.length_s, load.received_bytes, load.sent_bytes) == (1.0, 0, 10)
    assert load.busiest_core_pct == pytest.approx(90)
    assert load.server_pct == pytest.approx(50)


def test_what_the_servers_system_does_not_tell_is_none() -> None:
    def denied() -> Mapping[str, InterfaceBytes]:
        raise psutil.AccessDenied

    for interface in ("eth0", None):
        load = host_facts.HostFacts(interface, sources=server_sources(Laptop(), denied)).load()
        assert (load.received_bytes, load.sent_bytes) == (None, None)
        assert load.busiest_core_pct is not None


def test_the_servers_own_interface_and_link() -> None:
    loopback = host_facts.interface_with("127.0.0.1")
    assert loopback is not None
    assert host_facts.link_of(loopback).speed_mbps is None, "loopback has no speed"
    assert host_facts.interface_with("192.0.2.77") is None
    assert host_facts.HostFacts(loopback).load().received_bytes is not None


# -- which interface, which system -------------------------------------------------------------------------------

OWN = {
    "lo": [OwnAddress("127.0.0.1", "255.0.0.0"), OwnAddress("::1", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff")],
    "eth0": [OwnAddress("192.0.2.10", "255.255.255.0"), OwnAddress("fe80::1%eth0", "ffff:ffff:ffff:ffff::")],
    "wlan0": [OwnAddress("192.0.2.20", "255.255.255.0"), OwnAddress("fe80::1%wlan0", "ffff:ffff:ffff:ffff::/64")],
}


@pytest.mark.parametrize(
    ("local", "interface"),
    [
        ("192.0.2.20", "wlan0"),
        ("::ffff:192.0.2.10", "eth0"),
        ("127.0.0.9", "lo"),
        ("fe80::1%wlan0", "wlan0"),
        ("fe80::1", None),
        ("198.51.100.1", None),
    ],
)
def test_the_interface_is_the_one_with_the_local_address(local: str, interface: str | None) -> None:
    """With a cable and Wi-Fi on one subnet, only the address tells them apart; the same address twice tells nothing."""
    assert interface_of(local, OWN) == interface


@pytest.mark.parametrize(
    ("local", "far", "routed"),
    [
        ("192.0.2.10", "192.0.2.200", False),
        ("192.0.2.10", "198.51.100.1", True),
        ("192.0.2.10", "192.0.2.10", False),
        ("127.0.0.1", "127.0.0.5", False),
        ("fe80::1", "fe80::99", False),
        ("192.0.2.10", "2001:db8::1", None),
        ("192.0.2.99", "192.0.2.1", None),
    ],
)
def test_a_server_outside_the_subnet_is_behind_a_router(local: str, far: str, routed: bool | None) -> None:
    assert is_routed(local, far, OWN["eth0"]) is routed


def test_system_facts(tmp_path: Path) -> None:
    file = tmp_path / "tcp_congestion_control"
    file.write_text("cubic\n")
    assert system_facts(congestion_control=file).congestion_control == "cubic"
    unknown = system_facts(congestion_control=tmp_path / "none")
    assert unknown.why == {"congestion_control": Reason.NOT_SUPPORTED_BY_OS}
