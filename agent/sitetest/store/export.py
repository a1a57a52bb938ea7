"""Tables for other programs: CSV and Parquet with a data dictionary, `datapackage.json` (see `data_package.py`).

CSV follows the rules in `tidy.py`; Parquet has the values as they are, typed, with unit and meaning as field metadata.
Rows are written as they are read, some thousands at a time.

May import the rest of this room, errors and pyarrow (inside) only.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from sitetest import __version__
from sitetest.errors import UsageError
from sitetest.store.atomic_file import replacing, write_atomically
from sitetest.store.data_package import descriptor, resource
from sitetest.store.export_tables import EXPORT_TABLES, ExportTable, Row
from sitetest.store.fields import SCHEMA_VERSION
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.tidy import Value, csv_rows, header_line

FORMATS = ("csv", "parquet")
TABLES = tuple(EXPORT_TABLES)
DESCRIPTOR_NAME = "datapackage.json"

_ROWS_AT_A_TIME = 5000


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
        (EXPORT_TABLES[table], kind, out_dir / f"{table}.{kind}")
        for table in dict.fromkeys(tables)
        for kind in dict.fromkeys(formats)
    ]
    descriptor_path = out_dir / DESCRIPTOR_NAME
    _refuse_what_is_there([*(path for _, _, path in wanted), descriptor_path], out_dir, overwrite=overwrite)
    resources = []
    with StoreReader.read_only(store_path(site_dir)) as store:
        facts = store.facts()
        sites = sorted({visit.site for visit in store.visits()})
        try:
            out_dir.mkdir(parents=True, exist_ok=True)
            for table, kind, path in wanted:
                write = _write_csv if kind == "csv" else _write_parquet
                with replacing(path) as file:
                    write(file, table, table.rows(store, facts))
                    size_bytes, sha256 = _size_and_digest(file)
                resources.append(
                    resource(
                        table, kind, path.name, size_bytes=size_bytes, sha256=sha256,
                        both=len(set(formats)) > 1, tables=tables,
                    )
                )  # fmt: skip
            text = json.dumps(descriptor(sites, resources, now()), ensure_ascii=False, indent=2) + "\n"
            write_atomically(descriptor_path, text.encode("utf-8"))
        except OSError as problem:
            raise UsageError(
                f"{out_dir} cannot be written to: {problem.strerror or problem}.",
                "Name another folder, or make room.",
            ) from problem
    return (*(path for _, _, path in wanted), descriptor_path)


def _refuse_unknown(what: str, found: Sequence[str], allowed: Sequence[str]) -> None:
    unknown = [name for name in found if name not in allowed]
    if unknown or not found:
        raise UsageError(f"export: {what} is {', '.join(unknown) or 'empty'}, allowed are {', '.join(allowed)}.")


def _refuse_what_is_there(paths: Sequence[Path], out_dir: Path, *, overwrite: bool) -> None:
    try:
        present = [path for path in paths if path.exists()]
    except OSError as problem:  # a folder that may not even be looked into
        raise UsageError(
            f"{out_dir} cannot be read: {problem.strerror or problem}.", "Name another folder."
        ) from problem
    if present and not overwrite:
        raise UsageError(
            f"{present[0]} is there already; nothing was written.",
            "Name another folder, or add --overwrite.",
        )


def _size_and_digest(file: BinaryIO) -> tuple[int, str]:
    file.flush()
    file.seek(0)
    digest = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
    return file.tell(), digest


def _parts(rows: Iterable[Row]) -> Iterator[list[Row]]:
    rest = iter(rows)
    while part := list(islice(rest, _ROWS_AT_A_TIME)):
        yield part


def _write_csv(file: BinaryIO, table: ExportTable, rows: Iterable[Row]) -> None:
    file.write(header_line(table.fields).encode("utf-8"))
    for part in _parts(rows):
        file.write(csv_rows(part).encode("utf-8"))


def _write_parquet(file: BinaryIO, table: ExportTable, rows: Iterable[Row]) -> None:
    # Heavy: a run must never load it.
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    schema = _arrow_schema(table, pa)
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for part in _parts(rows):
            arrays = [
                pa.array([_arrow_value(value) for value in column], type=field.type)
                for column, field in zip(zip(*part, strict=True), schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _arrow_schema(table: ExportTable, pa: Any) -> Any:
    types = {
        "string": pa.string(),
        "integer": pa.int64(),
        "number": pa.float64(),
        "boolean": pa.bool_(),
        "datetime": pa.timestamp("us", tz="UTC"),
    }
    fields = [
        pa.field(field.name, types[field.type], metadata={"unit": field.unit or "", "description": field.meaning})
        for field in table.fields
    ]
    return pa.schema(fields, metadata={"schema_version": str(SCHEMA_VERSION), "sitetest_version": __version__})


def _arrow_value(value: Value) -> Value:
    return None if value == "" else value  # an empty cell is "not measured" in both formats
