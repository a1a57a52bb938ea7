"""What the live samples say of the load, and the grid on which host samples fall. Fake clocks; nothing sleeps."""

import threading

import pytest
from flag_scenes import host_sample

from sitetest.observe.host import HostSample
from sitetest.observe.host_sampler import HostSampler
from sitetest.observe.load_seen import LoadSeen
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def fed(*arrivals: tuple[float, float, int], counted: CountedAs = CountedAs.RECEIVED) -> LoadSeen:
    """Return what was seen after samples: (arrived on our clock, stamped on theirs, bytes)."""
    clock = Clock()
    seen = LoadSeen(clock)
    for arrived_s, at_s, count in arrivals:
        clock.now_s = arrived_s
        seen.take(Sample(at_s, (count,), counted))
    return seen


def test_the_quickest_sample_says_when_their_clock_read_zero() -> None:
    """Their zero was at 50; the samples took 80, 5 and 300 ms to come."""
    seen = fed((50.18, 0.1, 1), (50.205, 0.2, 2), (50.6, 0.3, 3))
    assert seen.from_s(CountedAs.RECEIVED) == pytest.approx(50.005)
    assert seen.from_s(CountedAs.ACKED) is None


def test_capacity_is_what_flowed_over_the_last_second() -> None:
    """10^6 bytes a second and 8 bits a byte make 8 Mbit/s; the fast start is more than a second ago."""
    tenths = [(at / 10, at / 10, 5_000_000 + at * 100_000) for at in range(1, 25)]
    assert fed((0.0, 0.0, 0), *tenths).capacity_mbps() == pytest.approx(8.0)


def test_capacity_is_not_known_before_a_second_of_load() -> None:
    assert fed().capacity_mbps() is None
    assert fed((0.0, 0.0, 0), (0.9, 0.9, 10**6)).capacity_mbps() is None


class Grid:
    """A clock that moves when somebody pauses.."""

    def __init__(self, pauses: int) -> None:
        self.now_s = 10.0
        self.left = pauses
        self.reads: list[float] = []
        self.primed_at_s: float | None = None

    def clock(self) -> float:
        return self.now_s

    def pause(self, stopping: threading.Event, duration_s: float) -> bool:
        self.left -= 1
        self.now_s += 0.25 if self.left < 0 else duration_s
        return self.left < 0

    def prime(self) -> None:
        self.primed_at_s = self.now_s

    def sample(self) -> HostSample:
        self.reads.append(round(self.now_s, 6))
        self.now_s += 0.01
        return host_sample(self.now_s)


def test_host_samples_fall_on_whole_seconds_from_the_start_and_one_at_the_end() -> None:
    grid = Grid(3)
    sampler = HostSampler(grid, clock=grid.clock, pause=grid.pause)
    sampler.run()
    assert grid.primed_at_s == 10.0
    assert grid.reads == [11.0, 12.0, 13.0, 13.26], "no drift by what reading takes"


def test_host_samples_move_onto_the_seconds_of_the_test() -> None:
    grid = Grid(3)
    sampler = HostSampler(grid, clock=grid.clock, pause=grid.pause)
    sampler.align(7.4)
    sampler.run()
    assert grid.reads[:3] == [10.4, 11.4, 12.4]
