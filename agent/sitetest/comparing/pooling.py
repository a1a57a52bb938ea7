"""What must not be thrown together silently: attempts made under different conditions, simulated ones and real ones.

Which columns must match stands in the field registry. Within one side of a comparison a difference is refused, unless
the person asks for it with ``--pool``; between the two sides it is named beside the verdict, since it may be the cause.
A cell that says that nobody could tell (an observer that failed once, a table of an older version) is no difference.

May import errors, plan.mistakes, store.fields, store.tidy (wording), comparing and pandas objects.
"""

from collections.abc import Collection, Sequence
from math import isnan
from typing import TYPE_CHECKING

from sitetest.comparing.case_turns import KEYS
from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, quoted
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.tidy import number_text

if TYPE_CHECKING:
    from pandas import DataFrame

_NOT_KNOWN = {field.name: field.not_known for field in ATTEMPT_FIELDS if field.not_known is not None}
MUST_MATCH = (*(field.name for field in ATTEMPT_FIELDS if field.must_match), "access_point", "ap_config")


def require_one_world(frame: "DataFrame", source: str) -> str | None:
    """Return what is simulated, None for real measurements. Raises UsageError when both are among the rows."""
    made_up = frame["status"] != frame["status"] if "status" in frame.columns else frame["location"] == ""
    told: list[str] = []
    if "simulated" in frame.columns:
        made_up = made_up | (frame["simulated"] != "")
        told = sorted(set(frame["simulated"]) - {""})
    if "link_source" in frame.columns:
        made_up = made_up | (frame["link_source"] == "simulated")
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
    return [
        name for name in columns if not (frame[name] == frame[name].iloc[0]).all() and len(_stated(frame, name)) > 1
    ]


def _stated(rows: "DataFrame", column: str) -> list[str]:
    """Return the different values of a column in order, as text, without the one that says "not known"."""
    values = {cell_of(value) for value in rows[column].unique()}
    return sorted(values - {_NOT_KNOWN.get(column)})


def cell_of(value: object) -> str:
    """Return a cell of a frame as the text that a CSV has for it."""
    if isinstance(value, float):
        return "" if isnan(value) else number_text(value)
    return str(value)


def require_alike(side: "DataFrame", columns: Sequence[str], name: str, case: str) -> None:
    """Raise UsageError when counted attempts of one side of a comparison differ in a column that must match."""
    for column in columns:
        values = _stated(side, column)
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
        one, other = _stated(a, column), _stated(b, column)
        if one != other and one and other:
            shown = " against ".join(", ".join(value or "not stated" for value in side) for side in (one, other))
            notes.append(f"{column}: {shown}")
    return tuple(notes)
