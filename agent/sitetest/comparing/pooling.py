"""What must not be thrown together silently: attempts made under different conditions, simulated ones and real ones.

Which columns must match stands in the field registry. Within one side of a comparison a difference is refused, unless
the person asks for it with ``--pool``; between the two sides it is named beside the verdict, since it may be the cause.
A cell that says that nobody could tell (an observer that failed once, a table of an older version) is no difference.

May import errors, plan.mistakes, store.fields, store.tidy (wording), comparing, numpy and pandas (inside functions).
"""

from collections.abc import Collection, Sequence
from math import isnan
from typing import TYPE_CHECKING, Any

from sitetest.comparing.attempt_table import MUST_MATCH
from sitetest.comparing.case_turns import KEYS
from sitetest.comparing.coded import coded
from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, quoted
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.tidy import number_text

if TYPE_CHECKING:
    from pandas import DataFrame, Series

_NOT_KNOWN = {field.name: field.not_known for field in ATTEMPT_FIELDS if field.not_known is not None}


def require_one_world(frame: "DataFrame", source: str) -> str | None:
    """Return what is simulated, None for real measurements. Raises UsageError when both are among the rows."""
    import numpy as np  # noqa: PLC0415

    made_up = np.zeros(len(frame), dtype=bool)
    told: list[str] = []
    if "simulated" in frame.columns:
        texts = coded(frame["simulated"])
        made_up |= ~texts.rows_with("")
        told = [name for name in texts.names if name]
    if "link_source" in frame.columns:
        made_up |= coded(frame["link_source"]).rows_with("simulated")
    if not made_up.any():
        return None
    if not made_up.all():
        raise UsageError(
            f"{source}: {int(made_up.sum())} of {len(frame)} attempts are simulated and the others are real; "
            "they are never compared with each other.",
            "Choose one kind, for example with --where link_source=simulated or --where link_source=live.",
        )
    return "; ".join(told) or "simulated"


def mixed_columns(frame: "DataFrame", factor: str, pooled: Collection[str]) -> list[str]:
    """Return the must-match columns with more than one value anywhere: the only ones worth a closer look."""
    columns = [name for name in MUST_MATCH if name in frame.columns and name not in (*KEYS, factor, *pooled)]
    return [name for name in columns if len(_stated(frame[name])) > 1]


def _stated(cells: "Series[Any]") -> list[str]:
    """Return the different values of a column in order, as text, without the one that says "not known"."""
    from pandas.api.types import is_numeric_dtype  # noqa: PLC0415

    numeric = is_numeric_dtype(cells.dtype)
    values = {cell_of(value) for value in cells.unique().tolist()} if numeric else set(coded(cells).names)
    return sorted(values - {_NOT_KNOWN.get(str(cells.name))})


def cell_of(value: object) -> str:
    """Return a cell of a frame as the text that a CSV has for it."""
    if isinstance(value, float):
        return "" if isnan(value) else number_text(value)
    return str(value)


def require_alike(side: "DataFrame", columns: Sequence[str], name: str, case: str) -> None:
    """Raise UsageError when counted attempts of one side of a comparison differ in a column that must match."""
    for column in columns:
        values = _stated(side[column])
        if len(values) > 1:
            shown = listed(value or "not stated" for value in values)
            raise UsageError(
                f"{case}: the attempts with {quoted(name)} differ in {column}: {shown}; they are not pooled silently.",
                f"Choose with --where {column}=VALUE, compare them with --factor {column}, or say --pool {column}.",
            )


def told_apart(a: "DataFrame", b: "DataFrame", columns: Sequence[str]) -> tuple[str, ...]:
    """Return what differs between two sides besides the compared column, one text a column."""
    notes = []
    for column in columns:
        one, other = _stated(a[column]), _stated(b[column])
        if one != other and one and other:
            shown = " against ".join(", ".join(value or "not stated" for value in side) for side in (one, other))
            notes.append(f"{column}: {shown}")
    return tuple(notes)
