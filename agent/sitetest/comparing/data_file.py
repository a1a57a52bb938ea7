"""Reads a data file: an exported table (CSV or Parquet), results.csv, or a CSV that people typed themselves.

    comma, point          as this program writes it (RFC 4180, UTF-8)
    semicolon, comma      as many spreadsheets write it: read, with a note
    tab                   read, with a note

Promises: a file that is not usable gives one DataFileError with file, row and column, the row as a spreadsheet counts
it (1 is the header); nothing is guessed inside a cell. Pandas is imported inside functions only.
"""

import io
import re
import warnings
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import AttemptTable, Place, checked
from sitetest.comparing.parquet_file import PARQUET_MAGIC, read_parquet
from sitetest.errors import DataFileError
from sitetest.plan.mistakes import escaped, listed, quoted
from sitetest.store.tidy import unguarded

if TYPE_CHECKING:
    from pandas import DataFrame

_SEPARATOR_NOTES = {";": "semicolons between cells, commas in numbers as decimal", "\t": "tabs between cells"}
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


def read_data_file(file: Path, columns: Collection[str] = ()) -> AttemptTable:
    """Return the attempts in ``file``. columns: those that the question needs, besides what every analysis looks at.

    Raises DataFileError when it cannot be read or has a mistake.
    """
    try:
        with file.open("rb") as opened:
            if opened.read(len(PARQUET_MAGIC)) == PARQUET_MAGIC:
                return read_parquet(file, columns)
            opened.seek(0)
            raw = opened.read()
    except OSError as problem:
        raise DataFileError(
            f"{escaped(str(file))} cannot be read: {problem.strerror or problem}.", "Name a file with --data."
        ) from problem
    if not raw.strip():
        raise DataFileError(f"{escaped(str(file))} is empty.", "A data file has a header and a row for each attempt.")
    return _read_csv(file, raw)


def _read_csv(file: Path, raw: bytes) -> AttemptTable:
    text = _decoded(file, raw)
    header = text[: _end_of_line(text)]
    separator = max(",;\t", key=header.count) if any(mark in header for mark in ",;\t") else ","
    table = _cells(file, text, separator)
    note = _SEPARATOR_NOTES.get(separator)
    place = Place(file, lambda position: int(table.index[position]) + 2)
    for column in table.columns:
        if table[column].str.startswith("'").any():
            table[column] = table[column].map(unguarded)
    notes = (f"{file.name} was read with {note}.",) if note else ()
    return checked(table, place, notes, decimal_comma=separator == ";")


def _end_of_line(text: str) -> int:
    ends = [text.find(mark) for mark in "\r\n" if mark in text]
    return min(ends) if ends else len(text)


def _decoded(file: Path, raw: bytes) -> str:
    if raw.startswith(_UTF16_MARKS):
        raise DataFileError(
            f"{escaped(str(file))}: row 1: the text is UTF-16; allowed: UTF-8.", "Save it as CSV in UTF-8."
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        before = raw[: problem.start]
        row = before.count(b"\n") + 1
        line = before.rpartition(b"\n")[2]
        header = raw.partition(b"\n")[0].decode("latin-1")
        separator = max(",;\t", key=header.count)
        cells = header.strip("\r").split(separator)
        place = line.count(separator.encode())
        column = cells[place].strip('"') if row > 1 and place < len(cells) else str(place + 1)
        raise DataFileError(
            f"{escaped(str(file))}: row {row}, column {escaped(column)}: a byte that is not UTF-8 "
            f"(0x{raw[problem.start]:02x}); allowed: text in UTF-8.",
            "Save it as CSV in UTF-8.",
        ) from problem
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise DataFileError(f"{escaped(str(file))}: row {row}: a NUL byte; this is not a CSV file.")
    return text


def _cells(file: Path, text: str, separator: str) -> "DataFrame":
    """Return the cells as text with the header as column names; the index is the row below the header, from 0."""
    import pandas as pd  # noqa: PLC0415

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            table = pd.read_csv(
                io.StringIO(text), sep=separator, header=None, dtype=str,
                keep_default_na=False, skip_blank_lines=False, na_filter=False,
            )  # fmt: skip
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as problem:
        raise _misshapen(file, str(problem)) from problem
    names = [str(name).strip() for name in table.iloc[0]]
    while names and not names[-1] and (table.iloc[:, len(names) - 1] == "").all():
        names.pop()  # a separator at the end of every line
        table = table.iloc[:, : len(names)]
    for place, name in enumerate(names, start=1):
        if not name:
            raise DataFileError(f"{escaped(str(file))}: row 1: column {place} has no name.")
        if names.index(name) + 1 < place:
            raise DataFileError(f"{escaped(str(file))}: row 1: the column {quoted(name)} is there twice.")
    table.columns = pd.Index(names)
    table = table.iloc[1:].reset_index(drop=True).fillna("")
    table = table[(table != "").any(axis=1)]
    if table.empty:
        raise DataFileError(
            f"{escaped(str(file))} has a header and no rows: {listed(names)}.", "Measure first, or name another file."
        )
    return table


def _misshapen(file: Path, told: str) -> DataFileError:
    """Translate the parser's words; what stands in the file is not repeated."""
    more = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", told)
    if more:
        expected, row, found = more.groups()
        return DataFileError(
            f"{escaped(str(file))}: row {row}: found {found} cells; allowed: {expected}, as in the header.",
            "A cell that has a separator inside stands in double quotes.",
        )
    opened = re.search(r"starting at row (\d+)", told)
    if opened:
        return DataFileError(
            f"{escaped(str(file))}: row {int(opened[1]) + 1}: a double quote is opened and never closed."
        )
    return DataFileError(f"{escaped(str(file))} is not a CSV file that can be read.")
