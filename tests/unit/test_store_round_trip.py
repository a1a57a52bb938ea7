"""Whatever a record may hold comes back from the store as it was, and from the tidy table as the registry says."""

import csv
import io
import tempfile
import unicodedata
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_records import a_turn, a_visit, an_attempt, announced

from sitetest.store.database import Store
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.records import AttemptRecord, BaselineRecord, Flag, Observation, Purpose, SecondRecord, Status
from sitetest.store.tidy import Facts, attempt_line, attempt_values, cell_text, number_text, unguarded

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
counts = st.integers(0, 2**63 - 1)
numbers = st.floats(allow_nan=False, allow_infinity=False)
times = st.datetimes(timezones=st.just(UTC), min_value=datetime(1990, 1, 1), max_value=datetime(2100, 1, 1))  # noqa: DTZ001

OF_TYPE: dict[object, st.SearchStrategy[Any]] = {
    float | None: st.none() | numbers,
    int | None: st.none() | counts,
    str | None: st.none() | texts,
    bool | None: st.none() | st.booleans(),
}


def optional(record: type) -> dict[str, st.SearchStrategy[Any]]:
    """Return a strategy for every field that may be None: one that is added later is tested too."""
    return {field.name: OF_TYPE[field.type] for field in fields(record) if field.type in OF_TYPE}


seconds = st.builds(
    SecondRecord,
    **optional(SecondRecord),
    second=st.integers(0, 10**6),
    start_s=numbers,
    length_s=numbers,
    throughput_mbps=numbers,
    stream_bytes=st.lists(numbers, max_size=8).map(tuple),
)
observations = st.builds(Observation, kind=texts, at_s=numbers, body=texts)
flags = st.builds(
    Flag,
    name=texts.filter(lambda name: name != "" and ";" not in name and "\0" not in name),
    reason=texts,
    severity=st.sampled_from(["invalid", "doubt", "note"]),
)
attempts = st.builds(
    AttemptRecord,
    **optional(AttemptRecord),
    test_id=texts,
    visit_id=st.just("visit-1"),
    turn=st.just(1),
    repeat=counts,
    attempt=counts,
    order_index=counts,
    location=texts,
    access_point=texts,
    ap_config=texts,
    leg=texts,
    engine=texts,
    direction=st.sampled_from(["download", "upload"]),
    streams=counts,
    server=texts,
    started_at=times,
    offset_s=numbers,
    warm_up_s=numbers,
    duration_s=numbers,
    status=st.sampled_from(Status),
    reason=texts,
    purpose=st.sampled_from(Purpose),
    wall_s=numbers,
    moved_bytes=counts,
    link_source=st.sampled_from(["live", "recorded", "simulated", "none"]),
    unknown=st.lists(texts, max_size=3).map(tuple),
    observations=st.lists(observations, max_size=3).map(tuple),
    flags=st.lists(flags, max_size=3).map(tuple),
    seconds=st.lists(seconds, max_size=4, unique_by=lambda second: second.second).map(
        lambda found: tuple(sorted(found, key=lambda second: second.second))
    ),
)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(attempts)
def test_an_attempt_comes_back_as_it_was(attempt: AttemptRecord) -> None:
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "site.sqlite", create=True) as store:
        store.begin_visit(a_visit())
        store.begin_turn(a_turn())
        store.begin_attempt(announced(attempt))
        store.end_attempt(attempt)
        assert store.attempt(attempt.test_id) == attempt
        assert list(store.attempts("visit-1")) == [replace(attempt, seconds=(), observations=(), raw=None)]


baselines = st.builds(
    BaselineRecord,
    **optional(BaselineRecord),
    baseline_id=st.uuids().map(str),
    measured_at=times,
    client=texts,
    server=texts,
    engine=texts,
    streams=counts,
    duration_s=numbers,
)


@pytest.mark.slow
@settings(max_examples=5, deadline=None)
@given(st.lists(baselines, max_size=3))
def test_baselines_come_back_as_they_were(kept: list[BaselineRecord]) -> None:
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "site.sqlite", create=True) as store:
        for baseline in kept:
            store.add_baseline(baseline)
        assert store.baselines() == kept


def nothing_measured() -> AttemptRecord:
    """Return an attempt in which everything that may be None is."""
    optional = {field.name: None for field in fields(AttemptRecord) if "None" in str(field.type)}
    return an_attempt(1, **optional, seconds=())


def test_none_everywhere_comes_back_as_none(tmp_path: Path) -> None:
    attempt = nothing_measured()
    with Store.open(tmp_path / "site.sqlite", create=True) as store:
        store.begin_visit(a_visit())
        store.begin_attempt(announced(attempt))
        store.end_attempt(attempt)
        assert store.attempt("test-1") == attempt
        assert store.facts()[0].turn is None


def read_cell(kind: str, text: str) -> Any:
    """Read a cell as a careful script would, by the type in the registry."""
    if text == "":
        return None
    readers: dict[str, Callable[[str], Any]] = {
        "string": unguarded,
        "integer": int,
        "number": float,
        "boolean": {"true": True, "false": False}.__getitem__,
        "datetime": datetime.fromisoformat,
    }
    return readers[kind](text)


@settings(max_examples=200, deadline=None)
@given(attempts)
def test_a_line_of_the_table_reads_back_equal(attempt: AttemptRecord) -> None:
    """RFC 4180 by Python's own reader; only control characters in texts are lost, as the documentation says."""
    facts = Facts(a_visit(), a_turn(), attempt)
    line = attempt_line(facts)
    assert line.endswith("\r\n")
    assert line.count("\n") == 1
    (cells,) = csv.reader(io.StringIO(line, newline=""), strict=True)
    for field, cell, value in zip(ATTEMPT_FIELDS, cells, attempt_values(facts), strict=True):
        if isinstance(value, str):
            kept = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in value)
            assert (read_cell(field.type, cell) or "").split() == kept.split()
        else:
            assert read_cell(field.type, cell) == value


@given(numbers)
def test_a_number_reads_back_equal(value: float) -> None:
    assert float(number_text(value)) == value


@given(texts)
def test_no_cell_is_a_formula_and_the_guard_is_exact(text: str) -> None:
    """The characters are those of the OWASP page "CSV Injection"; tab and line breaks are gone by then."""
    cell = cell_text(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"))
    assert unguarded(cell) == cell_text(" " + text)[1:]  # with a space in front nothing is ever guarded
