"""How a soak stands, as metrics in the text format of OpenMetrics 1.0.

Names are our own; units are the base units that the specification asks for: seconds, bytes, bytes a second. The one
exception is signal strength, which has no other unit than dBm. What is not known has no sample.

prometheus_client writes the format. Pure otherwise. May import visit.soak.state, store.soak_events and
prometheus_client only.
"""

from collections.abc import Iterator
from datetime import datetime

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, StateSetMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from sitetest.store.soak_events import Cause
from sitetest.visit.soak.state import Phase, SoakState

CONTENT_TYPE = CONTENT_TYPE_LATEST
CASE_LABELS = ("ap_config", "leg", "engine", "direction")
BYTES_A_SECOND_OF_A_MEGABIT = 1e6 / 8


def exposition(state: SoakState) -> bytes:
    """Return the whole text, with its last line ``# EOF``."""
    registry = CollectorRegistry(auto_describe=False)  # one of our own, for this answer alone
    registry.register(_Collected(state))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text


class _Collected(Collector):
    def __init__(self, state: SoakState) -> None:
        self._state = state

    def describe(self) -> list[Metric]:
        """Nothing beforehand: families are made for one answer, and asking for names would make them twice."""
        return []

    def collect(self) -> Iterator[Metric]:
        yield from _soak(self._state)
        yield from _tests(self._state)
        yield from _path(self._state)
        yield from _laptop(self._state)


def _soak(state: SoakState) -> Iterator[Metric]:
    info = {
        "site": state.site,
        "location": state.location,
        "profile": state.profile,
        "visit_id": state.visit_id,
        "simulated": state.simulated,
    }
    known = {name: _text(value) for name, value in info.items() if value is not None}
    yield InfoMetricFamily("sitetest_soak", "What is measured, and under which name it is kept.", known)
    phases = {str(phase): phase is state.phase for phase in Phase}
    yield StateSetMetricFamily("sitetest_soak_state", "What the soak is doing.", phases)
    configs = {_text(name): name == state.ap_config for name in state.ap_configs}
    if configs:
        yield StateSetMetricFamily("sitetest_soak_ap_config", "The AP config of the turn.", configs)
    yield _instant("sitetest_soak_state_since_timestamp", "When it began to do that.", state.since)
    yield _instant("sitetest_soak_next_round_timestamp", "When the next round is due.", state.next_round_at)
    yield _instant("sitetest_soak_until_timestamp", "When the soak is to end.", state.until)
    yield _gauge("sitetest_soak_turn", "Number of the turn that was begun last.", state.turn)
    yield _gauge("sitetest_soak_round", "Number of the round that was begun last.", state.round)
    yield _counter("sitetest_soak_rounds", "Rounds begun.", state.rounds_begun)
    passed = CounterMetricFamily("sitetest_soak_rounds_passed", "Rounds due and not tested.", labels=["reason"])
    for reason, count in sorted(state.rounds_passed.items()):
        passed.add_metric([reason], count)
    yield passed
    switches = CounterMetricFamily(
        "sitetest_soak_switches", "AP configs applied by their command.", labels=["ap_config", "worked"]
    )
    for (ap_config, worked), count in sorted(state.switches.items()):
        switches.add_metric([_text(ap_config), "true" if worked else "false"], count)
    yield switches


def _tests(state: SoakState) -> Iterator[Metric]:
    tests = CounterMetricFamily("sitetest_tests", "Tests kept, by what they turned out to be.", labels=["status"])
    for status, count in state.tests.items():
        tests.add_metric([str(status)], count)
    yield tests
    yield _counter("sitetest_tests_moved", "What all tests moved.", state.moved_bytes, unit="bytes")
    labels = list(CASE_LABELS)
    started = GaugeMetricFamily(
        "sitetest_last_test_started_timestamp", "Begin of a case's last test.", labels=labels, unit="seconds"
    )
    ok = GaugeMetricFamily("sitetest_last_test_ok", "Whether a case's last test was ok.", labels=labels)
    throughput = GaugeMetricFamily(
        "sitetest_last_test_throughput", "Goodput of a case's last test.", labels=labels, unit="bytes_per_second"
    )
    round_trip = GaugeMetricFamily(
        "sitetest_last_test_rtt_loaded_p95",
        "Round trip under the load of a case's last test, 95th percentile.",
        labels=labels,
        unit="seconds",
    )
    for names, last in sorted(state.last_tests.items()):
        case = [_text(name) for name in names]
        started.add_metric(case, last.started_at.timestamp())
        ok.add_metric(case, float(last.status == "ok"))
        if last.throughput_mbps is not None:
            throughput.add_metric(case, last.throughput_mbps * BYTES_A_SECOND_OF_A_MEGABIT)
        if last.rtt_loaded_p95_ms is not None:
            round_trip.add_metric(case, last.rtt_loaded_p95_ms / 1000)
    yield from (started, ok, throughput, round_trip)


def _path(state: SoakState) -> Iterator[Metric]:
    yield _gauge("sitetest_path_up", "Whether the path answered in the last second.", state.up)
    yield _instant("sitetest_path_away_since_timestamp", "Begin of the outage that lasts.", state.away_since)
    yield _gauge("sitetest_watch_blind", "Whether nobody watches the path.", state.blind)
    yield _counter("sitetest_path_probes", "Probes of the watch, sent or due and not taken.", state.probes)
    yield _counter("sitetest_path_probes_answered", "Those that were answered.", state.probes_answered)
    second = None if state.last_second is None else state.last_second.second
    rtt_ms = None if second is None else second.rtt_p50_ms
    yield _gauge(
        "sitetest_path_rtt",
        "Median round trip of the last second.",
        None if rtt_ms is None else rtt_ms / 1000,
        unit="seconds",
    )
    yield _gauge(
        "sitetest_link_signal",
        "Signal strength in the last second.",
        None if second is None else second.rssi_dbm,
        unit="dbm",
    )
    outages = CounterMetricFamily(
        "sitetest_outages", "Outages that are over. Those of cause link and path are dropouts.", labels=["cause"]
    )
    lengths = CounterMetricFamily("sitetest_outage", "How long they lasted in all.", labels=["cause"], unit="seconds")
    for cause in Cause:
        outages.add_metric([str(cause)], state.outages[cause].count)
        lengths.add_metric([str(cause)], state.outages[cause].total_s)
    yield from (outages, lengths)
    yield _counter("sitetest_roams", "Changes of the access point by the laptop itself.", state.roams)
    yield _counter("sitetest_channel_moves", "Changes of channel or width by the access point.", state.channel_moves)


def _laptop(state: SoakState) -> Iterator[Metric]:
    yield _gauge("sitetest_laptop_sleep_held_off", "Whether sleep of the laptop is held off.", state.awake)
    yield _counter("sitetest_laptop_sleeps", "How often the laptop slept.", state.sleeps.count)
    yield _counter("sitetest_laptop_sleep", "How long it slept in all.", state.sleeps.total_s, unit="seconds")
    yield _counter("sitetest_laptop_stalls", "How often the laptop stood still.", state.stalls.count)
    yield _counter("sitetest_laptop_stall", "How long it stood still in all.", state.stalls.total_s, unit="seconds")


def _counter(name: str, documentation: str, value: float, unit: str = "") -> Metric:
    return CounterMetricFamily(name, documentation, value, unit=unit)


def _gauge(name: str, documentation: str, value: float | None, unit: str = "") -> Metric:
    return GaugeMetricFamily(name, documentation, None if value is None else float(value), unit=unit)


def _instant(name: str, documentation: str, at: datetime | None) -> Metric:
    return _gauge(name, documentation, None if at is None else at.timestamp(), unit="seconds")


def _text(name: str) -> str:
    """Return a name that has a form in UTF-8: half of a surrogate pair has none, and would spoil the whole answer."""
    return name.encode("utf-8", "backslashreplace").decode()
