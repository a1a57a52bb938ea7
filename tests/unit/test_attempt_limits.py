"""From an attempt, as it is kept, to what binds it."""

from dataclasses import replace
from typing import Any

import pytest
from bookshop_visit import attempt, bookshop_plan
from store_records import BEGAN

from sitetest.ceilings.moving_thread import moved_in_one_thread
from sitetest.ceilings.path_figures import PathFigures
from sitetest.engines.base import TransferResult, TransferSpec
from sitetest.report.case_binding import case_bindings
from sitetest.store.attempt_path import path_of
from sitetest.store.records import AttemptRecord, BaselineRecord, Flag, SecondRecord, Status
from sitetest.visit.limits import path_figures, with_binding
from sitetest_wire.words import Direction

DOWN, UP = bookshop_plan().slots[:2]
RESULT = TransferResult(TransferSpec(Direction.DOWNLOAD, streams=5, warm_up_s=3.0, duration_s=30.0))
BASELINE = BaselineRecord(
    "base-1", BEGAN, "laptop", "bench", "eth0", 1000, 1000, "iperf3", 5, 30.0, download_mbps=930.0, upload_mbps=920.0
)


def kept(slot: Any = DOWN, throughput_mbps: float | None = 200.0, **changes: Any) -> AttemptRecord:
    facts: dict[str, Any] = {
        "interface_kind": "wifi", "server_link_mbps": 1000, "mss_bytes": 1448, "rx_rate_mbps": 1201.0,
        "tx_rate_mbps": 288.2, "rtt_idle_ms": 3.0, "busiest_core_pct": 40.0, "local_address": "192.0.2.10",
        "engine": "iperf3", "engine_version": "3.12",
    }  # fmt: skip
    return attempt(slot, throughput_mbps, **{**facts, **changes})


def second(number: int, throughput_mbps: float, core_pct: float | None) -> SecondRecord:
    return SecondRecord(number, 3.0 + number, 1.0, throughput_mbps, (1.0,), busiest_core_pct=core_pct)


def test_the_rate_is_that_of_the_payloads_direction() -> None:
    """tx is from the laptop, so upload."""
    assert path_of(kept(DOWN)).phy_rate_mbps == 1201.0
    assert path_of(kept(UP)).phy_rate_mbps == 288.2


def test_the_speed_of_the_laptops_interface_is_a_hop_on_a_cable_only() -> None:
    assert path_of(kept(interface_kind="ethernet", link_mbps=100)).laptop_hop_mbps == 100
    assert path_of(kept(interface_kind="wifi", link_mbps=100)).laptop_hop_mbps is None
    assert path_of(kept(interface_kind="other", link_mbps=10_000)).laptop_hop_mbps is None


def test_a_core_load_is_what_a_fifth_of_the_seconds_reach() -> None:
    seconds = tuple(second(n, 200.0, 99.0 if n < 2 else 30.0) for n in range(10))
    assert path_of(kept(seconds=seconds)).laptop_core_pct == 99.0
    assert path_of(kept(seconds=(*seconds[1:], second(10, 200.0, 30.0)))).laptop_core_pct == 30.0
    assert path_of(kept(seconds=tuple(second(n, 200.0, None) for n in range(10)))).laptop_core_pct == 40.0


def test_only_a_process_of_one_thread_has_a_share_that_means_something() -> None:
    assert path_of(kept(client_cpu_share=0.97)).laptop_process_share == 0.97
    assert path_of(kept(client_cpu_share=0.97, engine_version="3.17")).laptop_process_share is None
    web: dict[str, Any] = {"engine": "http", "engine_version": "aiohttp 3.9.5"}
    assert path_of(kept(server_cpu_share=0.97, **web)).server_process_share == 0.97
    assert path_of(kept(server_cpu_share=0.97)).server_process_share is None  # of which version, nobody tells


@pytest.mark.parametrize(
    ("version", "one_thread"),
    [("aiohttp 3.9.5", True), ("3.9", True), ("3.15", True), ("3.16", False), ("4.0", False), ("", None), (None, None)],
)
def test_which_versions_move_in_one_thread(version: str | None, one_thread: bool | None) -> None:
    assert moved_in_one_thread(version) is one_thread


@pytest.mark.parametrize(
    ("changes", "wired", "carried_mbps"),
    [
        ({}, False, 930.0),
        # the laptop's own cable was the limit and the server's is faster: the wire carries at least that
        ({"server_link_mbps": 2500}, False, None),
        ({"server_link_mbps": 2500}, True, 930.0),
        ({"server_link_mbps": 2500, "download_mbps": 610.0}, False, 610.0),
        ({"server_link_mbps": None}, False, 930.0),
        ({"download_mbps": None}, False, None),
    ],
)
def test_the_baseline_counts_unless_it_only_showed_the_laptops_cable(
    changes: dict[str, Any], wired: bool, carried_mbps: float | None
) -> None:
    record = kept(interface_kind="ethernet" if wired else "wifi")
    assert path_of(record, replace(BASELINE, **changes)).baseline_mbps == carried_mbps


def test_the_baseline_has_two_directions_and_says_nothing_about_the_line() -> None:
    assert path_of(kept(UP), BASELINE).baseline_mbps == 920.0
    assert path_of(kept(leg="internet"), BASELINE).baseline_mbps is None


def test_ipv6_is_seen_from_the_address() -> None:
    assert path_of(kept(local_address="2001:db8::7")).ipv6
    assert not path_of(kept()).ipv6
    assert not path_of(kept(local_address=None)).ipv6


def test_an_attempt_of_which_nothing_is_known_makes_figures_without_any() -> None:
    bare = attempt(DOWN, None)
    assert path_of(bare) == PathFigures(streams=5)


def test_the_record_is_filled_in_and_nothing_else_of_it_changes() -> None:
    record = kept()
    full = with_binding(record, RESULT)
    assert (full.binding, full.ceiling_by) == ("air", "wire")
    assert full.ceiling_mbps == pytest.approx(941.48, abs=0.01)
    assert full.binding_figures is not None
    assert full.binding_figures.startswith("The air: 200.0 Mbit/s is 17 %")
    cleared = replace(full, ceiling_mbps=None, ceiling_by=None, binding=None, binding_figures=None)
    assert cleared == record


@pytest.mark.parametrize("status", [Status.INVALID, Status.FAILED, Status.INTERRUPTED])
def test_nothing_binds_an_attempt_that_measured_nothing(status: Status) -> None:
    record = kept(status=status, reason="shared: x")
    assert with_binding(record, RESULT) == record


def test_the_window_comes_from_the_result_and_back_out_of_its_ceiling() -> None:
    """What is kept is the ceiling; the same window must come out of it: a case is judged as its attempts were."""
    result = replace(RESULT, receive_window_bytes=65_536)
    record = kept(throughput_mbps=100.0, rtt_idle_ms=25.0)
    assert path_figures(record, result).window_bytes == 65_536
    full = with_binding(record, result)
    assert (full.binding, full.ceiling_by) == ("window", "window")
    assert path_of(full).window_bytes == pytest.approx(65_536)
    (case,) = case_bindings([full])
    assert case.binding.figures == full.binding_figures


def test_a_simulated_link_binds_nothing_real() -> None:
    simulated = kept(flags=(Flag("simulated", "paced", "note"),))
    assert with_binding(simulated, RESULT).binding == "not_known"


def test_cases_are_judged_apart_and_the_lan_leg_stands_beside_the_internet_leg() -> None:
    lan = [kept(throughput_mbps=value, turn=n) for n, value in enumerate((640.0, 650.0, 660.0))]
    line = [kept(throughput_mbps=value, turn=n, leg="internet") for n, value in enumerate((88.0, 90.0, 92.0))]
    other = kept(UP, throughput_mbps=150.0)
    found = case_bindings([*lan, *line, other])
    assert [(one.case.leg, one.case.direction, one.binding.limit) for one in found] == [
        ("lan", "download", "link_rate"),
        ("internet", "download", "line"),
        ("lan", "upload", "link_rate"),
    ]
    (alone,) = case_bindings(line)
    assert alone.binding.limit == "not_known"


def test_the_lan_leg_of_the_same_engine_is_preferred() -> None:
    records = [
        kept(throughput_mbps=650.0, engine="iperf3"),
        kept(throughput_mbps=100.0, engine="http"),
        kept(throughput_mbps=95.0, engine="http", leg="internet"),
    ]
    assert case_bindings(records)[-1].binding.limit != "line"
    assert case_bindings([records[0], records[2]])[-1].binding.limit == "line"


def test_a_case_without_a_counted_attempt_is_not_known() -> None:
    doubted = kept(flags=(Flag("roamed", "seen", "doubt"),))
    (case,) = case_bindings([doubted])
    assert case.binding.figures == "Not known: no attempt of this case counts."
