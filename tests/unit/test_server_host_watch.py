"""The wired machine second by second, by an invented clock: on the clock of the samples, over the right interface."""

import pytest
from invented_machine import InventedMachine

from sitetest_server.host_watch import PERIOD_S, SHORTEST_S
from sitetest_wire.messages import ServerHost


def ends_and_lengths(host: ServerHost) -> list[tuple[float, float]]:
    return [(second.at_s, second.length_s) for second in host.seconds]


def test_seconds_end_on_whole_seconds_of_the_samples_clock() -> None:
    """The lease is held for 1.4 s before the first byte, and the transfer takes 3.3 s."""
    machine = InventedMachine()
    watch = machine.watch()
    machine.pass_time(1.4)
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(3.3)
    host = watch.told()
    assert ends_and_lengths(host) == [(-0.4, 1.0), (0.0, 0.4), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0), (3.3, 0.3)]
    assert (host.interface, host.speed_mbps, host.duplex) == ("eth0", 1000, "full")
    whole = host.seconds[2]
    assert (whole.busiest_core_pct, whole.mean_core_pct) == (75.0, 50.0)
    assert (whole.received_bytes, whole.sent_bytes) == (1000, 500)
    assert sum(second.received_bytes or 0 for second in host.seconds) == pytest.approx(4700, abs=3)


def test_what_changes_within_the_transfer_is_seen_in_its_second() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(1.0)
    machine.busy, machine.bytes_per_s["eth0"] = (1.0, 0.0), 9000
    machine.pass_time(1.0)
    first, second = watch.told().seconds
    assert (first.busiest_core_pct, second.busiest_core_pct) == (75.0, 100.0)
    assert (first.received_bytes, second.received_bytes) == (1000, 9000)


def test_payload_over_another_interface_than_the_request_is_what_counts() -> None:
    machine = InventedMachine()
    watch = machine.watch("192.0.2.1")
    machine.pass_time(1.0)
    watch.began(machine.now_s, "198.51.100.1")
    machine.pass_time(1.0)
    host = watch.told()
    assert (host.interface, host.speed_mbps, host.duplex) == ("eth1", 100, "half")
    assert [second.received_bytes for second in host.seconds] == [60], "nothing of the other interface is mixed in"


def test_payload_of_which_nothing_is_known_leaves_the_interface_of_the_request() -> None:
    machine = InventedMachine()
    watch = machine.watch("192.0.2.1")
    watch.began(machine.now_s, None)
    machine.pass_time(1.0)
    assert watch.told().interface == "eth0"


@pytest.mark.parametrize("address", [None, "203.0.113.9"])
def test_without_an_interface_there_are_cores_and_no_bytes(address: str | None) -> None:
    machine = InventedMachine()
    watch = machine.watch(address)
    watch.began(machine.now_s, address)
    machine.pass_time(1.0)
    host = watch.told()
    assert (host.interface, host.speed_mbps, host.duplex) == (None, None, None)
    assert [(second.busiest_core_pct, second.received_bytes) for second in host.seconds] == [(75.0, None)]


def test_a_transfer_that_never_began_has_no_seconds() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    machine.pass_time(5.0)
    assert watch.told().seconds == ()


def test_nothing_is_read_any_more_once_it_was_told() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(1.0)
    told = watch.told()
    assert all(alarm.cancelled for alarm in machine.alarms)
    machine.pass_time(3.0)
    watch.began(machine.now_s, "198.51.100.1")
    assert watch.told() is told


def test_only_the_first_word_of_the_beginning_counts() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(1.0)
    watch.began(machine.now_s, "198.51.100.1")
    machine.pass_time(1.0)
    assert ends_and_lengths(watch.told()) == [(1.0, 1.0), (2.0, 1.0)]


def test_a_busy_server_reads_late_and_says_how_long_its_seconds_were() -> None:
    """The readings stay on the grid: what is late does not make the next one late."""
    machine = InventedMachine()
    watch = machine.watch()
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(2.5, late_s=0.3)
    assert ends_and_lengths(watch.told()) == [(1.3, 1.3), (2.3, 1.0), (2.5, 0.2)]


def test_a_server_that_stood_still_does_not_catch_up_in_a_burst() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(3.6, late_s=2.6 * PERIOD_S)
    machine.pass_time(1.4)
    assert ends_and_lengths(watch.told()) == [(3.6, 3.6), (4.0, 0.4), (5.0, 1.0)]


def test_a_reading_too_short_for_the_systems_ticks_is_none() -> None:
    machine = InventedMachine()
    watch = machine.watch()
    machine.pass_time(SHORTEST_S / 2)
    watch.began(machine.now_s, "192.0.2.1")
    machine.pass_time(1.0 + SHORTEST_S / 2)
    assert ends_and_lengths(watch.told()) == [(1.0, 1.0)]
