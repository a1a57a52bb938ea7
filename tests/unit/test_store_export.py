"""Exported tables read by other programs: pandas and pyarrow as the outside judges; the dictionary by its standard."""

import hashlib
import json
import re
import subprocess
import sys
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from store_records import (
    OUTLIER,
    ROAMED,
    SOAK_ID,
    a_baseline,
    a_soak,
    a_visit,
    a_watch_second,
    an_attempt,
    an_event,
    an_observed_attempt,
    announced,
    begin,
    fixed_now,
    keep,
)

from sitetest.errors import Exit, StoreError, UsageError
from sitetest.store.database import Store
from sitetest.store.export import export
from sitetest.store.fields import (
    ATTEMPT_FIELDS,
    BASELINE_FIELDS,
    EVENT_FIELDS,
    OBSERVATION_FIELDS,
    SECOND_FIELDS,
    WATCH_SECOND_FIELDS,
    Field,
)
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import Status
from sitetest.store.tidy import attempt_values, unguarded


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with a good, a flagged, a failed and an unfinished attempt, and awkward texts."""
    with Store.open(store_path(tmp_path / "site"), create=True, now=fixed_now()) as store:
        begin(store)
        keep(
            store,
            an_attempt(1),
            an_observed_attempt(2, flags=(ROAMED, OUTLIER), firmware="7.1"),
            an_attempt(3, status=Status.FAILED, reason='=said "no", twice', throughput_mbps=None, seconds=()),
        )
        store.add_baseline(a_baseline())
        store.begin_visit(a_soak())
        store.add_watch_seconds(SOAK_ID, [a_watch_second(), a_watch_second(1, associated=None, rtt_p50_ms=None)])
        store.add_event(an_event(visit_id=SOAK_ID))
        store.begin_visit(a_visit(visit_id="visit-2", location="-1, vault", simulated="pacing"))
        store.begin_attempt(announced(an_attempt(4, visit_id="visit-2", location="-1, vault")))
    Store.open(store_path(tmp_path / "site"), create=False).close()  # the next run brings the table up to date
    return tmp_path / "site"


FIELDS = {
    "attempts": ATTEMPT_FIELDS,
    "seconds": SECOND_FIELDS,
    "observations": OBSERVATION_FIELDS,
    "baselines": BASELINE_FIELDS,
    "watch_seconds": WATCH_SECOND_FIELDS,
    "events": EVENT_FIELDS,
}


def expected(site: Path, table: str) -> list[dict[str, Any]]:
    """What the store has, by column name."""
    with StoreReader.read_only(store_path(site)) as reader:
        facts = reader.facts()
        names = [field.name for field in FIELDS[table]]
        found: list[dict[str, Any]]
        if table == "attempts":
            found = [dict(zip(names, attempt_values(one), strict=True)) for one in facts]
        elif table == "baselines":
            found = [asdict(baseline) for baseline in reader.baselines()]
        elif table == "watch_seconds":
            found = [
                {"visit_id": visit.visit_id, **asdict(second)}
                for visit in reader.visits()
                for second in reader.watch_seconds(visit.visit_id)
            ]
        elif table == "events":
            found = [asdict(event) for visit in reader.visits() for event in reader.events(visit.visit_id)]
        else:
            details = [(one.attempt, reader.attempt(one.attempt.test_id)) for one in facts]
            found = [
                {name: getattr(part, name, getattr(attempt, name, None)) for name in names}
                for attempt, whole in details
                for part in (whole.seconds if table == "seconds" else whole.observations)
            ]
            for row in found:
                if table == "seconds":
                    row["stream_bytes"] = ";".join(f"{count:.12g}" for count in row["stream_bytes"])
    assert found, "an empty table would prove nothing"
    return [{name: None if row[name] == "" else row[name] for name in names} for row in found]


def as_plain(value: Any) -> Any:
    """A cell of pandas as Python has it."""
    if pd.isna(value):
        return None
    return value.to_pydatetime() if isinstance(value, pd.Timestamp) else value


# Numbers are read as text and converted by numpy, which is exact; read_csv itself may be off in the last place.
PANDAS_TYPES = {"string": "string", "integer": "Int64", "number": "string", "boolean": "boolean"}


def read_csv(path: Path, fields: tuple[Field, ...]) -> list[dict[str, Any]]:
    """Read with the types of the registry."""
    frame = pd.read_csv(
        path,
        dtype={field.name: PANDAS_TYPES[field.type] for field in fields if field.type in PANDAS_TYPES},
        parse_dates=[field.name for field in fields if field.type == "datetime"],
        keep_default_na=False,
        na_values=[""],
    ).astype({field.name: "Float64" for field in fields if field.type == "number"})
    rows = [{str(name): as_plain(value) for name, value in row.items()} for row in frame.to_dict("records")]
    return [
        {name: unguarded(value) if isinstance(value, str) else value for name, value in row.items()} for row in rows
    ]


@pytest.mark.parametrize(("table", "fields"), FIELDS.items())
def test_csv_reads_back_equal_in_pandas(site: Path, tmp_path: Path, table: str, fields: tuple[Field, ...]) -> None:
    export(site, tmp_path / "out")
    assert read_csv(tmp_path / "out" / f"{table}.csv", fields) == expected(site, table)


@pytest.mark.parametrize("table", FIELDS)
def test_parquet_reads_back_equal_in_pandas(site: Path, tmp_path: Path, table: str) -> None:
    export(site, tmp_path / "out")
    frame = pd.read_parquet(tmp_path / "out" / f"{table}.parquet", dtype_backend="pyarrow")
    read = [{name: as_plain(value) for name, value in row.items()} for row in frame.to_dict("records")]
    assert read == expected(site, table)


def test_the_exported_attempts_are_the_tidy_table(site: Path, tmp_path: Path) -> None:
    export(site, tmp_path / "out", formats=["csv"], tables=["attempts"])
    assert (tmp_path / "out" / "attempts.csv").read_bytes() == (site / "results" / "results.csv").read_bytes()


def test_parquet_carries_units_and_meanings(site: Path, tmp_path: Path) -> None:
    from pyarrow import parquet  # type: ignore[import-untyped]

    export(site, tmp_path / "out", formats=["parquet"], tables=["attempts"])
    schema = parquet.read_schema(tmp_path / "out" / "attempts.parquet")
    metadata = schema.field("throughput_mbps").metadata
    assert metadata[b"unit"] == b"Mbit/s"
    assert b"receiver" in metadata[b"description"]


def descriptor(site: Path, out: Path, **wanted: Any) -> dict[str, Any]:
    export(site, out, now=fixed_now(), **wanted)
    read: dict[str, Any] = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
    return read


# Data Package 2.0, Data Resource 2.0 and Table Schema 2.0 (datapackage.org/standard), sentences with MUST, and the name
# SHOULDs; read in the standard's own repository.
NAME = re.compile(r"[a-z0-9._-]+")
TYPES = {"string", "number", "integer", "boolean", "datetime"}
CONSTRAINTS = {"required", "unique", "minimum", "enum"}


@pytest.mark.parametrize("formats", [["csv"], ["parquet"], ["csv", "parquet"]])
def test_the_dictionary_keeps_the_rules_of_its_standard(site: Path, tmp_path: Path, formats: list[str]) -> None:
    out = tmp_path / "out"
    package = descriptor(site, out, formats=formats)
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert NAME.fullmatch(package["name"])
    assert datetime.fromisoformat(package["created"]).tzinfo is not None  # RFC 3339
    resources = package["resources"]
    assert len(resources) == len(FIELDS) * len(formats)
    names = [resource["name"] for resource in resources]
    assert len(set(names)) == len(names)
    for resource in resources:
        assert NAME.fullmatch(resource["name"])
        assert not Path(resource["path"]).is_absolute()
        assert ".." not in resource["path"]
        assert "data" not in resource
        schema = resource["schema"]
        fields = {field["name"]: field for field in schema["fields"]}
        assert len(fields) == len(schema["fields"])
        assert {field["type"] for field in fields.values()} <= TYPES
        assert all(set(field.get("constraints", {})) <= CONSTRAINTS for field in fields.values())
        assert set(schema.get("primaryKey", [])) <= set(fields)
        for key in schema.get("foreignKeys", []):
            assert set(key["fields"]) <= set(fields)
            assert key["reference"]["resource"] in names
        assert all(isinstance(text, str) for text in schema["missingValues"])


def test_the_dictionary_describes_the_files_as_they_are(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for resource in descriptor(site, out)["resources"]:
        data = (out / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        columns = [field["name"] for field in resource["schema"]["fields"]]
        if resource["format"] == "csv":
            assert data.decode(resource["encoding"]).split("\r\n")[0].split(",") == columns
        else:
            assert list(pd.read_parquet(out / resource["path"]).columns) == columns


def test_every_constraint_holds_for_the_data(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for resource in descriptor(site, out, formats=["parquet"])["resources"]:
        frame = pd.read_parquet(out / resource["path"], dtype_backend="pyarrow")
        assert not frame.duplicated(resource["schema"].get("primaryKey", list(frame.columns))).any()
        for field in resource["schema"]["fields"]:
            column, rules = frame[field["name"]], field.get("constraints", {})
            assert not (rules.get("required") and column.isna().any()), field["name"]
            assert not (rules.get("unique") and column.duplicated().any()), field["name"]
            assert set(column.dropna()) <= set(rules.get("enum", column.dropna())), field["name"]
            assert (column.dropna() >= rules["minimum"]).all() if "minimum" in rules else True, field["name"]


def test_units_and_meanings_are_those_of_the_registry(site: Path, tmp_path: Path) -> None:
    attempts = descriptor(site, tmp_path / "out", formats=["csv"])["resources"][0]
    for described, field in zip(attempts["schema"]["fields"], ATTEMPT_FIELDS, strict=True):
        assert (described["name"], described.get("unit")) == (field.name, field.unit)
        assert described["description"] == field.meaning
        assert described.get("mustMatch", False) is field.must_match
        assert described.get("notKnown") == field.not_known


def test_nothing_is_written_over_unless_asked(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "seconds.csv").write_text("mine")
    with pytest.raises(UsageError, match=r"seconds\.csv is there already") as raised:
        export(site, out)
    assert raised.value.exit_code == Exit.WRONG_USE
    assert [entry.name for entry in out.iterdir()] == ["seconds.csv"]
    assert (out / "seconds.csv").read_text() == "mine"
    written = export(site, out, overwrite=True)
    assert sorted(path.name for path in written) == sorted(entry.name for entry in out.iterdir())
    assert written[-1] == out / "datapackage.json"


@pytest.mark.parametrize("wanted", [{"formats": ["xls"]}, {"tables": ["visits"]}, {"formats": []}])
def test_unknown_formats_and_tables_are_refused_with_what_is_allowed(
    site: Path, tmp_path: Path, wanted: dict[str, list[str]]
) -> None:
    with pytest.raises(UsageError, match="allowed are"):
        export(site, tmp_path / "out", **wanted)  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_to_is_said(site: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(UsageError, match="cannot be written to"):
        export(site, tmp_path / "out")


def test_a_site_without_results_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no results yet"):
        export(tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_site_without_attempts_exports_empty_tables(tmp_path: Path) -> None:
    Store.open(store_path(tmp_path), create=True).close()
    export(tmp_path, tmp_path / "out")
    assert len(pd.read_parquet(tmp_path / "out" / "attempts.parquet")) == 0
    assert len(pd.read_csv(tmp_path / "out" / "seconds.csv")) == 0


def test_rows_are_written_a_few_at_a_time_and_none_is_lost(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long night's observations are never in memory at once."""
    export(site, tmp_path / "whole")
    monkeypatch.setattr("sitetest.store.export._ROWS_AT_A_TIME", 2)
    export(site, tmp_path / "parts")
    for table in FIELDS:
        whole, parts = (tmp_path / folder / f"{table}.csv" for folder in ("whole", "parts"))
        assert whole.read_bytes() == parts.read_bytes()
        whole, parts = (path.with_suffix(".parquet") for path in (whole, parts))
        pd.testing.assert_frame_equal(pd.read_parquet(whole), pd.read_parquet(parts))
    from pyarrow import parquet

    assert parquet.ParquetFile(tmp_path / "parts" / "observations.parquet").num_row_groups == 2


def test_a_run_never_loads_the_heavy_libraries() -> None:
    """The store is imported by the visit; pandas and pyarrow take most of a second."""
    check = (
        "import sys, sitetest.store.database, sitetest.store.export; "
        "sys.exit(bool({'pandas', 'pyarrow', 'numpy'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0
