"""Reads an attempts table in Parquet: only the columns that are asked for, texts as categories, and never row by row.

Promises: the same table as from the CSV of the same attempts; one DataFileError for a file that is not usable, with its
row (1 is the first attempt) and column. Pandas, numpy and pyarrow are imported inside functions only.
"""

from collections.abc import Collection
from pathlib import Path
from typing import Any

from sitetest.comparing.attempt_table import ANALYSED, NUMBERS, AttemptTable, Place, checked, require_columns
from sitetest.comparing.coded import coded
from sitetest.errors import DataFileError
from sitetest.plan.mistakes import escaped, quoted

PARQUET_MAGIC = b"PAR1"  # Apache Parquet format, first and last four bytes


def read_parquet(file: Path, columns: Collection[str]) -> AttemptTable:
    """Return the attempts in ``file``; ``columns`` as in :func:`data_file.read_data_file`. Raises DataFileError."""
    import pandas as pd  # noqa: PLC0415
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    try:
        schema = parquet.read_schema(file)
        names = [name for name in schema.names if name in ANALYSED or name in columns]
        require_columns(schema.names, file)
        _require_single(schema.names, file)
        texts = [name for name in names if pa.types.is_string(schema.field(name).type) and name != "test_id"]
        with parquet.ParquetFile(file, read_dictionary=texts, memory_map=True) as opened:
            table = opened.read(names)
    except (pa.ArrowException, OSError) as problem:
        raise DataFileError(
            f"{escaped(str(file))} is a damaged Parquet file.", "Export it again, or get it anew."
        ) from problem
    if table.num_rows == 0:
        raise DataFileError(f"{escaped(str(file))} has no rows.", "Measure first, or name another file.")
    frame = pd.DataFrame({name: _column(table.column(name), name, file) for name in names}, copy=False)
    del table
    pa.default_memory_pool().release_unused()  # what reading took beside the columns, before anything else is made
    left_out = tuple(name for name in schema.names if name not in names)
    place = Place(file, lambda position: position + 1)
    return checked(frame, place, (), decimal_comma=False, left_out=left_out)


def _require_single(names: list[str], file: Path) -> None:
    for place, name in enumerate(names):
        if name in names[:place]:
            raise DataFileError(f"{escaped(str(file))}: the column {quoted(name)} is there twice.")


def _column(cells: Any, name: str, file: Path) -> Any:
    """Return an arrow column as pandas is to hold it: numbers as floats, times as times, all else as text."""
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import compute  # noqa: PLC0415

    try:
        if pa.types.is_dictionary(cells.type) and not _is_text(cells.type.value_type):
            cells = cells.cast(cells.type.value_type)
        kind = cells.type
        if name in NUMBERS and (pa.types.is_null(kind) or pa.types.is_decimal(kind)):
            kind, cells = pa.float64(), cells.cast(pa.float64())
        if pa.types.is_integer(kind) or pa.types.is_floating(kind):
            return cells.cast(pa.float64(), safe=False).to_numpy()
        if pa.types.is_timestamp(kind):
            return cells.cast(pa.timestamp("us", kind.tz), safe=False).to_pandas()
        if name == "test_id":
            return compute.fill_null(cells.cast(pa.string()), "").to_pandas()
        if not pa.types.is_dictionary(kind):
            cells = cells.cast(pa.string()).dictionary_encode()
        texts = cells.unify_dictionaries().to_pandas()
        return texts if cells.null_count == 0 else coded(texts).as_column(texts.index)
    except (pa.ArrowException, UnicodeDecodeError) as problem:
        raise DataFileError(
            f"{escaped(str(file))}: column {escaped(name)}: found cells of type {cells.type}; allowed: text, numbers, "
            "times, true and false."
        ) from problem


def _is_text(kind: Any) -> bool:
    import pyarrow as pa  # noqa: PLC0415

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))
