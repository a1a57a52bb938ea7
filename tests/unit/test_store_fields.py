"""The registry: what other people's scripts rely on, and that nothing stands outside it."""

import re
import sqlite3
from dataclasses import fields
from datetime import datetime
from pathlib import Path

import pytest
from store_records import SOAK_ID, a_baseline, a_turn, a_visit, a_watch_second, an_event, an_observed_attempt

from sitetest.ceilings.path_ceilings import Limit
from sitetest.observe.interface import InterfaceKind
from sitetest.observe.link.plausible import GENERATIONS
from sitetest.observe.link.record import SourceKind
from sitetest.store import records
from sitetest.store.columns_page import columns_page
from sitetest.store.fields import (
    ATTEMPT_FIELDS,
    BASELINE_FIELDS,
    EVENT_FIELDS,
    OBSERVATION_FIELDS,
    SCHEMA_VERSION,
    SECOND_FIELDS,
    WATCH_SECOND_FIELDS,
    Field,
)
from sitetest.store.migrations import STEPS, migrate
from sitetest.store.tidy import (
    Facts,
    Value,
    attempt_values,
    baseline_values,
    event_values,
    observation_values,
    second_values,
    watch_second_values,
)
from sitetest.visit.link_figures import NO_SOURCE

# The design's section 8, "Columns that other people's scripts may rely on", word for word.
PROMISED = """
test_id, visit_id, site, location, access_point, ap_config, firmware, leg, engine, direction, streams, client, server,
profile, turn, repeat, attempt, order_index, started_at, warm_up_s, duration_s, status, reason, flags, counted,
throughput_mbps, received_bytes, retransmits, rtt_idle_ms, rtt_loaded_p50_ms, rtt_loaded_p95_ms, tcp_efficiency_pct,
buffer_delay_pct, band, channel, width_mhz, rssi_dbm, tx_rate_mbps, rx_rate_mbps, phy, bssid_label, link_source,
ceiling_mbps, ceiling_by, congestion_control, engine_version, sitetest_version, schema_version
"""


def test_promised_columns_come_first_and_in_the_promised_order() -> None:
    promised = re.findall(r"\w+", PROMISED)
    assert [field.name for field in ATTEMPT_FIELDS][: len(promised)] == promised


TABLES = (ATTEMPT_FIELDS, SECOND_FIELDS, OBSERVATION_FIELDS, BASELINE_FIELDS, WATCH_SECOND_FIELDS, EVENT_FIELDS)


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_declared_once_and_explained(table: tuple[Field, ...]) -> None:
    names = [field.name for field in table]
    assert sorted(names) == sorted(set(names))
    for field in table:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", field.name)
        assert field.meaning.endswith(".")
        assert 1 <= field.since <= SCHEMA_VERSION
        assert field.must_match or field.not_known is None
    since = [field.since for field in table]
    assert since == sorted(since)  # scripts go by position too: new columns follow


UNITS = {
    "_s": "s", "_ms": "ms", "_mbps": "Mbit/s", "_bytes": "byte", "_pct": "%", "_mhz": "MHz", "_dbm": "dBm",
    "_rpm": "1/min",
}  # fmt: skip


@pytest.mark.parametrize("field", [field for table in TABLES for field in table], ids=lambda field: field.name)
def test_a_unit_in_the_name_is_the_declared_unit(field: Field) -> None:
    """Design section 2: units stand in every name that leaves a function."""
    suffix = re.search(r"_(s|ms|mbps|bytes|pct|mhz|dbm|rpm)$", field.name)
    if suffix is None:
        assert field.unit in (None, "GHz", "core")
    else:
        assert field.unit == UNITS[suffix[0]]


def a_row_of_each_table() -> list[tuple[tuple[Field, ...], tuple[Value, ...]]]:
    """Rows in which everything that can be known is."""
    attempt = an_observed_attempt(
        firmware="7.1", server_cpu_share=0.2, reason="said", flags=(records.Flag("x", "y", "note"),)
    )
    return [
        (ATTEMPT_FIELDS, attempt_values(Facts(a_visit(simulated="pacing"), a_turn(), attempt))),
        (SECOND_FIELDS, second_values(attempt, attempt.seconds[0])),
        (OBSERVATION_FIELDS, observation_values(attempt, attempt.observations[0])),
        (BASELINE_FIELDS, baseline_values(a_baseline(upload_mbps=940.0))),
        (WATCH_SECOND_FIELDS, watch_second_values(SOAK_ID, a_watch_second())),
        (EVENT_FIELDS, event_values(an_event())),
    ]


def test_every_column_has_a_source() -> None:
    for table, values in a_row_of_each_table():
        assert [field.name for field, value in zip(table, values, strict=True) if value in (None, "")] == []


PYTHON_TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,), "integer": (int,), "number": (int, float), "boolean": (bool,), "datetime": (datetime,),
}  # fmt: skip


def test_every_value_is_of_the_declared_type_and_among_the_allowed() -> None:
    for table, values in a_row_of_each_table():
        for field, value in zip(table, values, strict=True):
            assert isinstance(value, PYTHON_TYPES[field.type]), field.name
            assert not field.allowed or value in field.allowed, field.name


@pytest.mark.parametrize(
    ("table", "record", "elsewhere"),
    [
        ("visit", records.VisitRecord, set()),
        ("turn", records.TurnRecord, set()),
        ("attempt", records.AttemptRecord, {"flags", "seconds", "raw", "observations"}),
        ("second", records.SecondRecord, set()),
        ("flag", records.Flag, set()),
        ("event", records.EventRecord, set()),
        ("observation", records.Observation, set()),
        ("baseline", records.BaselineRecord, set()),
    ],
)
def test_each_table_has_a_column_for_each_fact(table: str, record: type, elsewhere: set[str]) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    columns = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
    connection.close()
    assert {field.name for field in fields(record)} - elsewhere <= columns


def test_the_words_of_the_registry_are_those_of_whoever_writes_them() -> None:
    """The registry imports none of these rooms, so that the words stand twice."""
    allowed = {field.name: field.allowed for field in (*ATTEMPT_FIELDS, *OBSERVATION_FIELDS)}
    assert allowed["binding"] == allowed["ceiling_by"] == tuple(limit.value for limit in Limit)
    assert allowed["phy"] == tuple(generation.lower() for generation in GENERATIONS)
    assert set(allowed["interface_kind"]) == {kind.value for kind in InterfaceKind}
    assert set(allowed["link_source"]) == {*(kind.value for kind in SourceKind), NO_SOURCE}


def test_there_is_one_migration_for_each_version() -> None:
    assert len(STEPS) == SCHEMA_VERSION


def test_the_page_of_columns_is_up_to_date(repository: Path) -> None:
    """python -m sitetest.store.columns_page docs/columns.md"""
    assert (repository / "docs" / "columns.md").read_text(encoding="utf-8") == columns_page()


def test_the_page_names_every_column() -> None:
    page = columns_page()
    missing = [field.name for table in TABLES for field in table if f"| `{field.name}` |" not in page]
    assert missing == []
