"""Records of an invented site for the tests of the store. Every figure is made up."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from bookshop_visit import bookshop_plan

from sitetest.plan.plan_json import plan_to_json
from sitetest.store.database import Store
from sitetest.store.records import (
    AttemptRecord,
    BaselineRecord,
    Doing,
    EventRecord,
    Flag,
    Observation,
    Purpose,
    SecondRecord,
    Status,
    TurnRecord,
    VisitKind,
    VisitRecord,
    WatchSecondRecord,
)

BEGAN = datetime(2026, 3, 2, 9, 15, tzinfo=UTC)
VISIT_ID = "visit-1"
SOAK_ID = "soak-1"


def fixed_now(at: datetime = BEGAN) -> Callable[[], datetime]:
    """Return a clock that stands still."""
    return lambda: at


def a_visit(**changes: Any) -> VisitRecord:
    """Return a visit to the basement."""
    visit = VisitRecord(
        visit_id=VISIT_ID,
        site="quay-street-bookshop",
        location="basement",
        profile="basement",
        started_at=BEGAN,
        plan=plan_to_json(bookshop_plan()),
        seed=7,
        client="bench-laptop",
        sitetest_version="0.1.0",
    )
    return replace(visit, **changes)


def a_turn(**changes: Any) -> TurnRecord:
    """Return the first turn of that visit."""
    turn = TurnRecord(
        visit_id=VISIT_ID,
        turn=1,
        quad=1,
        ap_config="auto",
        started_at=BEGAN + timedelta(seconds=5),
        association="asked",
        switched="operator",
        back_s=4.25,
    )
    return replace(turn, **changes)


def some_seconds(count: int = 3) -> tuple[SecondRecord, ...]:
    """Return seconds of a steady download."""
    return tuple(
        SecondRecord(
            second=n,
            start_s=3.0 + n,
            length_s=1.0,
            throughput_mbps=287.5 + n / 3,
            stream_bytes=(7187500.25, 7187500.0 + n),
            rtt_ms=11.5,
            retransmits=n,
        )
        for n in range(count)
    )


def an_attempt(number: int = 1, **changes: Any) -> AttemptRecord:
    """Return the n-th attempt of that turn, gone well."""
    attempt = AttemptRecord(
        test_id=f"test-{number}",
        visit_id=VISIT_ID,
        turn=1,
        repeat=number,
        attempt=1,
        order_index=number,
        location="basement",
        access_point="counter",
        ap_config="auto",
        firmware=None,
        leg="lan",
        engine="http",
        direction="download",
        streams=2,
        server="192.0.2.10:17300",
        started_at=BEGAN + timedelta(seconds=10 * number, microseconds=120_034),
        offset_s=10.0 * number,
        warm_up_s=3.0,
        duration_s=30.0,
        status=Status.OK,
        reason="",
        purpose=Purpose.PLANNED,
        wall_s=33.9,
        window_s=30.002,
        throughput_mbps=287.123456789 + number,
        received_bytes=1_078_125_000,
        moved_bytes=1_186_000_000,
        retransmits=17,
        congestion_control="cubic",
        engine_version="3.12.0",
        local_address="192.0.2.21",
        client_cpu_share=0.31,
        server_cpu_share=None,
        raw='{"end": {}}',
        seconds=some_seconds(),
    )
    return replace(attempt, **changes)


def an_observed_attempt(number: int = 1, **changes: Any) -> AttemptRecord:
    """Return the n-th attempt with everything that observers can add, over a simulated radio."""
    seconds = tuple(
        replace(
            second,
            probe_rtt_ms=14.25,
            probes_lost=1,
            rssi_dbm=-61.0,
            tx_rate_mbps=866.7,
            rx_rate_mbps=780.0,
            channel=36,
            width_mhz=80,
            bssid_label="ap-3f9a",
            busiest_core_pct=41.5,
            server_busiest_core_pct=12.0,
            other_mbps=0.25,
        )
        for second in some_seconds()
    )
    observed = {
        "seconds": seconds,
        "rtt_idle_ms": 2.125,
        "rtt_loaded_p50_ms": 14.5,
        "rtt_loaded_p95_ms": 31.0,
        "rtt_after_ms": 2.25,
        "probe_loss_pct": 0.5,
        "tcp_efficiency_pct": 99.9,
        "buffer_delay_pct": 582.4,
        "responsiveness_rpm": 812.0,
        "responsiveness_draft": "draft-ietf-ippm-responsiveness-09",
        "latency_why": "not_sampled",
        "link_source": "simulated",
        "band": "5",
        "channel": 36,
        "width_mhz": 80,
        "rssi_dbm": -61.5,
        "tx_rate_mbps": 866.7,
        "rx_rate_mbps": 780.0,
        "phy": "vht",
        "bssid_label": "ap-3f9a",
        "power_save": False,
        "interface": "wlan0",
        "interface_kind": "wifi",
        "link_mbps": 1000,
        "server_link_mbps": 2500,
        "mss_bytes": 1448,
        "busiest_core_pct": 44.0,
        "server_busiest_core_pct": 13.5,
        "other_traffic_pct": 0.1,
        "plugged": True,
        "ceiling_mbps": 941.5,
        "ceiling_by": "wire",
        "binding": "air",
        "binding_figures": "288 Mbit/s of 866.7 Mbit/s",
        "unknown": ("background_scan", "roamed"),
        "observations": (
            Observation("link_facts", -1.5, '{"power_save": false}'),
            Observation("link", 0.75, '{"rssi_dbm": -61.5}'),
            Observation("host", 0.75, '{"plugged": true}'),
        ),
    }
    return an_attempt(number, **{**observed, **changes})


def a_baseline(number: int = 1, **changes: Any) -> BaselineRecord:
    """Return what a gigabit wire gave."""
    baseline = BaselineRecord(
        baseline_id=f"baseline-{number}",
        measured_at=BEGAN + timedelta(hours=number),
        client="bench-laptop",
        server="192.0.2.10:17300",
        interface="eth0",
        link_mbps=1000,
        server_link_mbps=2500,
        engine="iperf3",
        streams=5,
        duration_s=10.0,
        download_mbps=941.25,
        upload_mbps=None,
    )
    return replace(baseline, **changes)


def announced(attempt: AttemptRecord) -> AttemptRecord:
    """Return what is kept before the attempt runs."""
    return replace(
        attempt,
        status=Status.INTERRUPTED,
        reason="the agent ended during this attempt",
        wall_s=0.0,
        window_s=None,
        throughput_mbps=None,
        received_bytes=None,
        moved_bytes=0,
        retransmits=None,
        client_cpu_share=None,
        raw=None,
        flags=(),
        seconds=(),
        observations=(),
    )


def an_event(**changes: Any) -> EventRecord:
    """Return an event of that visit."""
    return replace(EventRecord(VISIT_ID, BEGAN, 1.5, "path_lost", '{"reason": "no answer"}'), **changes)


def a_soak(**changes: Any) -> VisitRecord:
    """Return an unattended visit to the basement."""
    return a_visit(visit_id=SOAK_ID, kind=VisitKind.SOAK, plan='{"rounds": 3}', **changes)


def a_watch_second(number: int = 0, **changes: Any) -> WatchSecondRecord:
    """Return the n-th second of its watch, all probes but one answered."""
    second = WatchSecondRecord(
        at=BEGAN + timedelta(seconds=number, microseconds=250),
        offset_s=float(number),
        length_s=1.0,
        doing=Doing.NOTHING,
        probes=10,
        answered=9,
        rtt_p50_ms=2.125,
        rtt_max_ms=9.5,
        associated=True,
        rssi_dbm=-61.0,
        tx_rate_mbps=866.7,
        rx_rate_mbps=780.0,
        channel=36,
        width_mhz=80,
        bssid_label="ap-3f9a",
    )
    return replace(second, **changes)


OUTLIER = Flag("outlier", "32 % below the others of its case", "note")
ROAMED = Flag("roamed", "the laptop changed access point in second 12", "doubt")


def keep(store: Store, *attempts: AttemptRecord) -> None:
    """Keep attempts as a visit does: announced first, then whole."""
    for attempt in attempts:
        store.begin_attempt(announced(attempt))
        store.end_attempt(attempt)


def begin(store: Store) -> None:
    """Keep the visit and its first turn."""
    store.begin_visit(a_visit())
    store.begin_turn(a_turn())
