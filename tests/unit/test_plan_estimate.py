"""Time and data volume of a plan, checked against sums done by hand."""

from dataclasses import replace

import pytest

from sitetest.plan.cases import Case, Leg, Plan, Slot, Timing, Turn
from sitetest.plan.estimate import attempt_s, estimate, transfer_s, turn_starts_s
from sitetest_wire.words import Direction, EngineName

LAN = Case("basement", Leg.LAN, EngineName.IPERF3, "auto", Direction.DOWNLOAD)
FAR = Case("basement", Leg.INTERNET, EngineName.HTTP, "auto", Direction.UPLOAD)


def turn(number: int, ap_config: str, *cases: Case) -> Turn:
    return Turn(number, 1, ap_config, tuple(Slot(number, number, replace(case, ap_config=ap_config)) for case in cases))


PLAN = Plan(
    site="quay-street-bookshop",
    profile="basement",
    location="basement",
    timing=Timing(streams=5, warm_up_s=3.0, duration_s=30.0),
    seed=1,
    turns=(turn(1, "auto", LAN, FAR), turn(2, "wide80", LAN, FAR), turn(3, "wide80", LAN, FAR)),
    minimum_turns=2,
    maximum_turns=2,
    internet_data_bytes=5_000_000_000,
)


def test_the_duration_is_the_sum_of_switching_association_and_attempts() -> None:
    """Two changes of AP config at 30 s, three associations at 5 s, three attempts of 33 s with each engine and what
    they add (1 s of idle path before and after it, 0.5 s, 0.3 s, 0.2 s for storing)."""
    assert estimate(PLAN).duration_s == pytest.approx(2 * 30 + 3 * 5 + 3 * (35 + 0.5 + 0.2) + 3 * (35 + 0.3 + 0.2))
    assert turn_starts_s(PLAN.turns) == (35.0, 35.0, 5.0)


def test_the_iperf3_engine_takes_whole_seconds() -> None:
    """Its library knows no fractions; http runs exactly as long as is written."""
    timing = Timing(streams=1, warm_up_s=0.25, duration_s=2.0)
    assert transfer_s(timing, EngineName.IPERF3) == 3.0
    assert transfer_s(timing, EngineName.HTTP) == 2.25
    assert attempt_s(timing, EngineName.IPERF3) == pytest.approx(3.7 + 2 * 0.225), "idle for a tenth of 2.25 s, twice"


def test_the_volume_is_rate_times_time_of_each_leg() -> None:
    """100 Mbit/s for 33 s are 412.5 MB; 1 Gbit/s ten times that."""
    volume = estimate(PLAN)
    assert volume.lan_bytes == 3 * 4_125_000_000
    assert volume.internet_bytes == 3 * 412_500_000
    assert volume.attempts == 6
    assert not any(case.seen for case in volume.volumes)
    assert [(case.case.ap_config, case.attempts) for case in volume.volumes] == [
        ("auto", 1),
        ("auto", 1),
        ("wide80", 2),
        ("wide80", 2),
    ]


def test_the_profile_says_what_to_expect() -> None:
    volume = estimate(PLAN, expected_mbps={Leg.LAN: 200.0, Leg.INTERNET: 8.0})
    assert volume.lan_bytes == 3 * 825_000_000
    assert volume.internet_bytes == 3 * 33_000_000


def test_what_was_seen_wins_over_what_is_expected() -> None:
    volume = estimate(PLAN, seen_mbps={FAR: 40.0})
    assert volume.internet_bytes == 165_000_000 + 2 * 412_500_000
    assert {(case.rate_mbps, case.seen) for case in volume.volumes if case.case.leg is Leg.INTERNET} == {
        (40.0, True),
        (100.0, False),
    }


@pytest.mark.parametrize("seen_mbps", [float("nan"), float("inf"), 0.0, -1.0])
def test_a_rate_that_is_none_is_passed_over(seen_mbps: float) -> None:
    assert estimate(PLAN, seen_mbps={FAR: seen_mbps, LAN: seen_mbps}) == estimate(PLAN)


def test_a_plan_that_will_meet_the_cap_says_so() -> None:
    need = 3 * 412_500_000
    assert not estimate(replace(PLAN, internet_data_bytes=need)).over_cap
    assert estimate(replace(PLAN, internet_data_bytes=need - 1)).over_cap
    assert not estimate(replace(PLAN, internet_data_bytes=None)).over_cap
