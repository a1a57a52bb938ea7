"""The attempts to analyse as one table, and the checks that every source of them must pass.

    site store ──┐
    results.csv ─┼──> AttemptTable ──> comparisons
    typed CSV  ──┘

Promises: whatever is in an AttemptTable can be analysed: the columns are there, a counted value is finite and above
zero, no attempt is in it twice. May import errors, plan.cases, plan.mistakes (wording), store.fields, comparing.coded
and pandas (inside functions).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sitetest.comparing.coded import coded
from sitetest.errors import DataFileError
from sitetest.plan.cases import PlannedComparison
from sitetest.plan.mistakes import escaped, listed, nearest, quoted
from sitetest.store.fields import ATTEMPT_FIELDS

if TYPE_CHECKING:
    from pandas import DataFrame, Series

THROUGHPUT = "throughput_mbps"
REQUIRED = ("location", "direction", THROUGHPUT)
NUMBERS = (THROUGHPUT, "turn", "order_index", "quad", "seed", "ceiling_mbps")
"""Columns that the analysis reads as numbers."""

VISIT_KIND = "visit_kind"
_MUST_MATCH = [field.name for field in ATTEMPT_FIELDS if field.must_match]
MUST_MATCH = (*sorted(_MUST_MATCH, key=lambda name: name != VISIT_KIND), "access_point", "ap_config")
"""Columns in which attempts that are pooled must not differ, first the one that explains most others: the turns of a
soak and those of a run are not of one kind."""

ANALYSED = frozenset(
    {
        *REQUIRED, *NUMBERS, *MUST_MATCH, "test_id", "visit_id", "started_at", "status", "counted", "reason", "flags",
        "association", "link_source", "ceiling_by", "profile",
    }
)  # fmt: skip
"""Columns that any analysis may look at, whatever is asked; of a wide table nothing else is read."""

_ALLOWED = {field.name: field.allowed for field in ATTEMPT_FIELDS if field.allowed} | {"counted": ("true", "false")}
_CHECKED_WORDS = ("direction", "leg", "engine", "status", "counted")
_MAY_BE_EMPTY = ("leg", "engine", "counted")
_LEAST = {THROUGHPUT: 0.0, "turn": 1.0, "order_index": 0.0, "quad": 1.0, "ceiling_mbps": 0.0}


@dataclass(frozen=True, slots=True)
class AttemptTable:
    """Attempts, one a row.

    frame: text columns hold text or categories of text, "" where nothing is stated; the columns of ``NUMBERS`` hold
    floats, NaN likewise; times may be times; throughput_mbps is there. source: where they come from, as shown. typed: a
    file without turns, in which each row is taken to be a turn of its own. notes: sentences about how it was read.
    left_out: columns of the source that were not read, since nothing asked for them. plans: visit -> what it had
    settled about its comparison before the first attempt, None for nothing; empty where that is not known.
    not_over: soaks that have not come to the end that they were planned to.
    """

    frame: "DataFrame"
    source: str
    typed: bool = False
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    plans: Mapping[str, PlannedComparison | None] = field(default_factory=dict)
    not_over: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a file something is wrong. row_of: position in the table -> row as a person counts it in the file."""

    file: Path
    row_of: Callable[[int], int]

    def mistake(self, row: int, column: str, found: str, allowed: str, next_step: str = "") -> DataFileError:
        """Return the error for the cell at position ``row``."""
        where = f"{escaped(str(self.file))}: row {self.row_of(row)}, column {column}"
        return DataFileError(f"{where}: found {found}; allowed: {allowed}.", next_step)


def checked(
    texts: "DataFrame", place: Place, notes: tuple[str, ...], *, decimal_comma: bool, left_out: tuple[str, ...] = ()
) -> AttemptTable:
    """Return the table of a file whose cells are text or numbers. Raises DataFileError at the first mistake.

    Each check looks at a column as a whole; the row is sought only once something is wrong.
    """
    import pandas as pd  # noqa: PLC0415

    require_columns(list(map(str, texts.columns)), place.file)
    frame = texts.copy(deep=False)
    for column in ("location", *_CHECKED_WORDS, "test_id"):
        if column in frame.columns and pd.api.types.is_numeric_dtype(frame[column].dtype):
            frame[column] = frame[column].astype("str")
    for word in _CHECKED_WORDS:
        if word in frame.columns:
            frame[word] = _words(frame[word], word, place)
    for column in NUMBERS:
        if column in frame.columns:
            frame[column] = _numbers(frame[column], column, place, decimal_comma=decimal_comma)
    _require_text(frame["location"], "location", place)
    typed = "turn" not in frame.columns
    _check_throughput(frame, place)
    if not typed:
        _require_turns(frame, place)
    _refuse_twice(frame, place)
    return AttemptTable(frame, str(place.file), typed, notes, left_out)


def require_columns(names: Sequence[str], file: Path) -> None:
    """Raise DataFileError when a table with these columns cannot be analysed."""
    missing = [name for name in REQUIRED if name not in names]
    if not missing:
        return
    close = nearest(missing[0], [name for name in names if name not in REQUIRED])
    hint = f" Did you mean the column {quoted(close)}?" if close else ""
    raise DataFileError(
        f"{escaped(str(file))}: row 1: no column {listed(missing)}; found: {listed(names)}.{hint}",
        "A file typed by hand needs location, direction, the compared column and throughput_mbps, named in row 1.",
    )


def _words(cells: "Series[str]", column: str, place: Place) -> "Series[str]":
    import pandas as pd  # noqa: PLC0415

    words = coded(cells, lambda text: text.strip().lower())
    allowed = (*_ALLOWED[column], "") if column in _MAY_BE_EMPTY else _ALLOWED[column]
    wrong = [words.rows_with(name) for name in words.names if name not in allowed]
    if wrong:
        row = min(int(rows.argmax()) for rows in wrong)
        text = "" if pd.isna(cells.iloc[row]) else str(cells.iloc[row])
        raise place.mistake(row, column, quoted(text) if text else "an empty cell", ", ".join(_ALLOWED[column]))
    return words.as_column(cells.index)


def _numbers(cells: "Series[str]", column: str, place: Place, *, decimal_comma: bool) -> "Series[float]":
    import pandas as pd  # noqa: PLC0415
    from numpy import isfinite  # noqa: PLC0415

    if pd.api.types.is_numeric_dtype(cells.dtype):
        texts, numbers, stated = cells, cells.astype("float64"), cells.notna()
    else:
        texts = cells.str.strip()
        plain = texts.str.replace(",", ".", regex=False) if decimal_comma else texts
        numbers, stated = pd.to_numeric(plain, errors="coerce").astype("float64"), texts != ""
    wrong = stated & ~isfinite(numbers)
    if column in _LEAST:
        wrong |= stated & (numbers < _LEAST[column])
    if wrong.any():
        row = int(wrong.to_numpy().argmax())
        least = _LEAST.get(column)
        allowed = "a finite number" if least is None else f"a finite number from {least:g} on"
        raise place.mistake(row, column, quoted(str(cells.iloc[row])), allowed, _number_hint(str(texts.iloc[row])))
    return numbers


def _number_hint(text: str) -> str:
    if "," in text:
        return "Write a decimal point and no separators between thousands, or semicolons between the cells."
    return ""


def _require_text(cells: "Series[str]", column: str, place: Place) -> None:
    texts = coded(cells, str.strip)
    if "" in texts.names:
        raise place.mistake(int(texts.rows_with("").argmax()), column, "an empty cell", "a name")


def _check_throughput(frame: "DataFrame", place: Place) -> None:
    """An attempt that is ok has a throughput above zero; the others may have none."""
    values = frame[THROUGHPUT]
    wrong = ~(values > 0)
    if "status" in frame.columns:
        wrong &= frame["status"] == "ok"
    if not wrong.any():
        return
    row = int(wrong.to_numpy().argmax())
    found = "an empty cell" if values.isna().iloc[row] else f"{values.iloc[row]:g}"
    hint = (
        "A transfer that delivered nothing is a failure: give it status failed."
        if "status" in frame.columns
        else "A transfer that delivered nothing is a failure: add a column status with failed there, and ok elsewhere."
    )
    raise place.mistake(row, THROUGHPUT, found, "a number above 0 Mbit/s", hint)


def _require_turns(frame: "DataFrame", place: Place) -> None:
    missing = frame["turn"].isna() | (frame["turn"] % 1 != 0)
    if missing.any():
        row = int(missing.to_numpy().argmax())
        found = "an empty cell" if frame["turn"].isna().iloc[row] else f"{frame['turn'].iloc[row]:g}"
        raise place.mistake(row, "turn", found, "a whole number from 1 on")


def _refuse_twice(frame: "DataFrame", place: Place) -> None:
    if "test_id" not in frame.columns:
        return
    ids = frame["test_id"]
    row = first_repeated(ids)
    if row is not None:
        first = int((ids == ids.iloc[row]).to_numpy().argmax())
        found = f"{quoted(ids.iloc[row])}, which row {place.row_of(first)} has already"
        raise place.mistake(row, "test_id", found, "each attempt once", "Leave the repeated rows out.")


def first_repeated(ids: "Series[str]") -> int | None:
    """Return the position of the first text that an earlier row has too, None when there is none; "" does not count."""
    if ids.is_unique:
        return None
    twice = (ids.duplicated() & (ids != "")).to_numpy()
    return int(twice.argmax()) if twice.any() else None
