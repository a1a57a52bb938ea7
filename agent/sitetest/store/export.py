"""Tables for other programs: CSV and Parquet with a data dictionary, as a Data Package (datapackage.org, version 2).

The dictionary, `datapackage.json`, is made from the field registry: Table Schema types, constraints, units and
meanings, and for each file its size and SHA-256. CSV follows the rules in `tidy.py`; Parquet has
the values as they are, typed, with unit and meaning as field metadata.

May import the rest of this room, errors and pyarrow (inside) only.
"""

import hashlib
import io
import json
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sitetest import __version__
from sitetest.errors import UsageError
from sitetest.store.atomic_file import write_atomically
from sitetest.store.fields import ATTEMPT_FIELDS, SCHEMA_VERSION, SECOND_FIELDS, Field
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.tidy import Facts, Value, attempt_values, csv_text, second_values

Rows = Sequence[Sequence[Value]]

FORMATS = ("csv", "parquet")
TABLES = ("attempts", "seconds")
DESCRIPTOR_NAME = "datapackage.json"
DATA_PACKAGE_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_SCHEMA_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"

_FIELDS = {"attempts": ATTEMPT_FIELDS, "seconds": SECOND_FIELDS}
_TITLES = {"attempts": "One row an attempt", "seconds": "One row a second of an attempt"}
_PRIMARY_KEYS = {"attempts": ["test_id"], "seconds": ["test_id", "second"]}
_MEDIATYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def _utc_now() -> datetime:
    return datetime.now(UTC)


def export(
    site_dir: Path,
    out_dir: Path,
    formats: Sequence[str] = FORMATS,
    tables: Sequence[str] = TABLES,
    *,
    overwrite: bool = False,
    now: Callable[[], datetime] = _utc_now,
) -> tuple[Path, ...]:
    """Write the tables of a site into ``out_dir`` and return the files written, the dictionary last.

    Raises UsageError for an unknown format or table, for a file that is there already (unless ``overwrite``) and for a
    folder that cannot be written to; StoreError when there are no results or they cannot be read.
    """
    _refuse_unknown("format", formats, FORMATS)
    _refuse_unknown("table", tables, TABLES)
    wanted = [
        (table, kind, out_dir / f"{table}.{kind}") for table in dict.fromkeys(tables) for kind in dict.fromkeys(formats)
    ]
    descriptor_path = out_dir / DESCRIPTOR_NAME
    try:
        present = [path for path in (*(path for _, _, path in wanted), descriptor_path) if path.exists()]
    except OSError as problem:  # a folder that may not even be looked into
        raise UsageError(
            f"{out_dir} cannot be read: {problem.strerror or problem}.", "Name another folder."
        ) from problem
    if present and not overwrite:
        raise UsageError(
            f"{present[0]} is there already; nothing was written.",
            "Name another folder, or add --overwrite.",
        )
    with StoreReader.read_only(store_path(site_dir)) as store:
        rows = _rows_of(store, tables)
        sites = sorted({visit.site for visit in store.visits()})
    resources = []
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        for table, kind, path in wanted:
            data = _csv(table, rows[table]) if kind == "csv" else _parquet(table, rows[table])
            write_atomically(path, data)
            resources.append(_resource(table, kind, path.name, data, both=len(set(formats)) > 1, tables=tables))
        descriptor = _descriptor(sites, resources, now())
        text = json.dumps(descriptor, ensure_ascii=False, indent=2) + "\n"
        write_atomically(descriptor_path, text.encode("utf-8"))
    except OSError as problem:
        raise UsageError(
            f"{out_dir} cannot be written to: {problem.strerror or problem}.", "Name another folder, or make room."
        ) from problem
    return (*(path for _, _, path in wanted), descriptor_path)


def _refuse_unknown(what: str, found: Sequence[str], allowed: Sequence[str]) -> None:
    unknown = [name for name in found if name not in allowed]
    if unknown or not found:
        raise UsageError(f"export: {what} is {', '.join(unknown) or 'empty'}, allowed are {', '.join(allowed)}.")


def _rows_of(store: StoreReader, tables: Sequence[str]) -> dict[str, Rows]:
    facts: list[Facts] = store.facts()
    rows: dict[str, Rows] = {"attempts": [attempt_values(one) for one in facts]}
    if "seconds" in tables:
        seconds = store.site_seconds()
        rows["seconds"] = [
            second_values(one.attempt, second) for one in facts for second in seconds.get(one.attempt.test_id, ())
        ]
    return rows


def _csv(table: str, rows: Rows) -> bytes:
    return csv_text(_FIELDS[table], rows).encode("utf-8")


def _parquet(table: str, rows: Rows) -> bytes:
    # Heavy: a run must never load it.
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    types = {
        "string": pa.string(),
        "integer": pa.int64(),
        "number": pa.float64(),
        "boolean": pa.bool_(),
        "datetime": pa.timestamp("us", tz="UTC"),
    }

    fields = _FIELDS[table]
    arrow_fields = [
        pa.field(
            field.name,
            types[field.type],
            metadata={"unit": field.unit or "", "description": field.meaning},
        )
        for field in fields
    ]
    schema = pa.schema(arrow_fields, metadata={"schema_version": str(SCHEMA_VERSION), "sitetest_version": __version__})
    columns: Iterable[Sequence[Value]] = zip(*rows, strict=True) if rows else ([] for _ in fields)
    arrays = [
        pa.array([_arrow_value(value) for value in column], type=field.type)
        for column, field in zip(columns, schema, strict=True)
    ]
    sink = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(arrays, schema=schema), sink, compression="zstd")
    return sink.getvalue()


def _arrow_value(value: Value) -> Value:
    return None if value == "" else value  # an empty cell is "not measured" in both formats


def _descriptor(sites: Sequence[str], resources: Sequence[dict[str, Any]], created: datetime) -> dict[str, Any]:
    title = ", ".join(sites) or "no visits yet"
    return {
        "$schema": DATA_PACKAGE_PROFILE,
        "name": re.sub("[^a-z0-9._-]+", "-", f"sitetest-{title}".lower()).strip("-"),
        "title": f"Throughput measurements: {title}",
        "description": "Every attempt that was measured, with what is needed to judge it. An empty cell or null means "
        "not measured, never zero. Fields with mustMatch true may not differ between attempts that are pooled or "
        "compared, unless that is the question.",
        "created": created.astimezone(UTC).isoformat(timespec="seconds"),
        "version": f"{SCHEMA_VERSION}.0.0",
        "sitetestVersion": __version__,
        "resources": list(resources),
    }


def _resource(
    table: str, kind: str, file_name: str, data: bytes, *, both: bool, tables: Sequence[str]
) -> dict[str, Any]:
    def named(of: str) -> str:
        return f"{of}-parquet" if kind == "parquet" and both else of

    resource: dict[str, Any] = {
        "name": named(table),
        "type": "table",
        "title": _TITLES[table],
        "path": file_name,
        "format": kind,
        "mediatype": _MEDIATYPES[kind],
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }
    if kind == "csv":
        resource["encoding"] = "utf-8"
        resource["dialect"] = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True}
    schema: dict[str, Any] = {
        "$schema": TABLE_SCHEMA_PROFILE,
        "fields": [_field(field) for field in _FIELDS[table]],
        "missingValues": [""],
        "primaryKey": _PRIMARY_KEYS[table],
    }
    if table == "seconds" and "attempts" in tables:
        schema["foreignKeys"] = [
            {"fields": ["test_id"], "reference": {"resource": named("attempts"), "fields": ["test_id"]}}
        ]
    resource["schema"] = schema
    return resource


def _field(field: Field) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if field.required:
        constraints["required"] = True
    if field.unique:
        constraints["unique"] = True
    if field.minimum is not None and field.type in ("integer", "number"):
        constraints["minimum"] = int(field.minimum) if field.type == "integer" else field.minimum
    if field.allowed:
        constraints["enum"] = list(field.allowed)
    described: dict[str, Any] = {"name": field.name, "type": field.type, "description": field.meaning}
    if field.unit is not None:
        described["unit"] = field.unit
    if field.must_match:
        described["mustMatch"] = True
    if constraints:
        described["constraints"] = constraints
    return described
