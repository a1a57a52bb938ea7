"""The two sides of every comparison that a table of attempts holds, measured in which order, under which conditions.

    table + factor + names ──> selected rows ──> turns of each case ──> A and B side by side

Promises: configurations that did not alternate get one turn for each stretch; nothing is pooled that must not be; what
is assumed is said. May import stats, comparing, errors and plan.mistakes (wording).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, product
from math import isnan
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import THROUGHPUT, AttemptTable
from sitetest.comparing.case_turns import key_columns, turns_of
from sitetest.comparing.pooling import mixed_columns, require_alike, require_one_world, told_apart
from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.stats.answers import Comparison
from sitetest.stats.rules import Correction
from sitetest.stats.sides import Turn, side_by_side
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.tidy import number_text

if TYPE_CHECKING:
    from pandas import DataFrame, Series

ASSUMED = (
    "The file does not say which turn a row belongs to: each row is taken to be one turn of its own, begun by a fresh "
    "association, and the turns are taken to alternate. If that is not so, no verdict below holds."
)
ASSUMED_IN_TIME = (
    "The file does not say which turn a row belongs to: each row is taken to be one turn of its own, begun by a fresh "
    "association. If that is not so, no verdict below holds."
)
_NO_FACTORS = frozenset(
    {
        "test_id", "visit_id", "turn", "repeat", "attempt", "order_index", "started_at", "status", "reason", "flags",
        "counted", "purpose", "quad", "schema_version", "unknown", "latency_why", "binding_figures",
    }
)  # fmt: skip
_TAG_NUMBERS = frozenset(
    {
        "streams", "channel", "width_mhz", "warm_up_s", "duration_s", "seed", "link_mbps", "server_link_mbps",
        "mss_bytes",
    }
)  # fmt: skip
_MEASURED = frozenset(
    field.name for field in ATTEMPT_FIELDS if field.type in ("number", "integer") and field.name not in _TAG_NUMBERS
)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked. factor: the compared column; names: the reference first. margin, alpha, correction: None for those
    of the plan, or the usual ones. family_size: comparisons planned, None for those of the plan, or those found. where:
    column -> value that rows must have. pooled: columns that may differ after all."""

    factor: str
    names: tuple[str, ...]
    margin: float | None = None
    alpha: float | None = None
    correction: Correction | None = None
    family_size: int | None = None
    where: Mapping[str, str] | None = None
    pooled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PairedTurns:
    """One comparison before it is judged. key: column -> value of its case. seeds: as stated. The rest as in
    ``campaign.PairResult``."""

    key: Mapping[str, str]
    names: tuple[str, str]
    comparison: Comparison
    interleaved: bool | None
    order: str
    turns: tuple[Turn, ...]
    also_differs: tuple[str, ...]
    seeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PairedTable:
    """Every comparison that the data hold. simulated: what is simulated, None for real measurements. notes: how the
    data were read, and what is assumed about them."""

    pairs: tuple[PairedTurns, ...]
    simulated: str | None
    notes: tuple[str, ...]

    def family(self, planned: int | None) -> int:
        """Return how many comparisons are held together. Raises UsageError when fewer were planned than there are."""
        if planned is not None and planned < len(self.pairs):
            raise UsageError(
                f"--family {planned} is smaller than the {len(self.pairs)} comparisons that the data hold.",
                "State how many comparisons were planned before the first measurement.",
            )
        return len(self.pairs) if planned is None else planned


def pair_up(table: AttemptTable, question: Question) -> PairedTable:
    """Put the two sides of every comparison together. Raises UsageError when the question does not fit the data."""
    frame = _selected(table, question)
    simulated = require_one_world(frame, table.source)
    chosen = replace(table, frame=frame)
    order_known = not table.typed or ("started_at" in frame.columns and bool((frame["started_at"] != "").all()))
    assumed = () if not table.typed else (ASSUMED_IN_TIME,) if order_known else (ASSUMED,)
    return PairedTable(tuple(_pairs(chosen, question, order_known=order_known)), simulated, (*table.notes, *assumed))


def _selected(table: AttemptTable, question: Question) -> "DataFrame":
    """Return the rows of the names asked for, with the compared column as text."""
    frame, factor = table.frame, question.factor
    tags = [str(name) for name in frame.columns if name not in _NO_FACTORS and name not in _MEASURED]
    for column in (factor, *(question.where or {}), *question.pooled):
        if column not in frame.columns or (column == factor and factor not in tags):
            close = nearest(column, tags)
            hint = f" Did you mean {quoted(close)}?" if close else ""
            raise UsageError(f"{table.source} has no column {quoted(column)} to go by; it has {listed(tags)}.{hint}")
    for column, wanted in (question.where or {}).items():
        frame = frame[_texts(frame, column) == wanted]
        if frame.empty:
            raise UsageError(f"{table.source} has no attempt with {column} {quoted(wanted)}.")
    levels = _texts(frame, factor)
    for name in question.names:
        if not (levels == name).any():
            known = sorted(set(levels) - {""})
            close = nearest(name, known)
            hint = f" Did you mean {quoted(close)}?" if close else ""
            raise UsageError(
                f"{table.source} has no attempt with {factor} {quoted(name)}; it has {listed(known)}.{hint}"
            )
    frame = frame.assign(**{factor: levels})
    return frame[frame[factor].isin(question.names)]


def _texts(frame: "DataFrame", column: str) -> "Series[str]":
    from pandas import isna  # noqa: PLC0415
    from pandas.api.types import is_numeric_dtype  # noqa: PLC0415

    values = frame[column]
    if not is_numeric_dtype(values.dtype):
        return values.str.strip()
    shown = {value: "" if isna(value) else number_text(float(value)) for value in values.unique()}
    return values.map(shown).astype("str")


def _pairs(table: AttemptTable, question: Question, *, order_known: bool) -> list[PairedTurns]:
    frame = table.frame
    columns = key_columns(frame, question.factor)
    mixed = mixed_columns(frame, question.factor, question.pooled)
    reference, *others = question.names
    by_key: dict[tuple[str, ...], list[Turn]] = turns_of(table, question.factor)
    pairs = []
    for (values, turns), other in product(sorted(by_key.items()), others):
        key = dict(zip(columns, values, strict=True))
        names = (reference, other)
        label = " ".join(value for value in values if value)
        rows = _rows(frame, key)
        differs = _conditions(rows, question.factor, names, mixed, label) if mixed else ()
        ceiling = _ceiling(rows)
        both = [turn for turn in turns if turn.level in names]
        sides = side_by_side(both, names, order_known=order_known)
        comparison = Comparison(f"{label} {other}", sides.a, sides.b, ceiling)
        order = _order_text(both, names) if order_known else ""
        pairs.append(PairedTurns(key, names, comparison, sides.interleaved, order, tuple(both), differs, _seeds(rows)))
    return pairs


def _rows(frame: "DataFrame", key: Mapping[str, str]) -> "DataFrame":
    for column, value in key.items():
        frame = frame[frame[column] == value]
    return frame


def _conditions(
    rows: "DataFrame", factor: str, names: tuple[str, str], mixed: Sequence[str], label: str
) -> tuple[str, ...]:
    rows = rows[rows[THROUGHPUT] > 0]
    if "counted" in rows.columns:
        rows = rows[rows["counted"] != "false"]
    a, b = (rows[rows[factor] == name] for name in names)
    require_alike(a, mixed, names[0], label)
    require_alike(b, mixed, names[1], label)
    return told_apart(a, b, mixed)


def _ceiling(rows: "DataFrame") -> float | None:
    """Return the largest ceiling of the wire stated for a case: the least that a value must come close to.

    Ceilings that another part of the path set do not count; where the file does not say what set them, all do.
    """
    if "ceiling_mbps" not in rows.columns:
        return None
    if "ceiling_by" in rows.columns:
        rows = rows[rows["ceiling_by"].isin(["", "wire"])]
    largest = float(rows["ceiling_mbps"].max())
    return None if isnan(largest) else largest


def _order_text(turns: Sequence[Turn], names: tuple[str, str]) -> str:
    quads = groupby(turns, key=lambda turn: (turn.visit_id, turn.quad))
    return " ".join("".join("A" if turn.level == names[0] else "B" for turn in quad) for _, quad in quads)


def _seeds(rows: "DataFrame") -> tuple[str, ...]:
    if "seed" not in rows.columns:
        return ()
    return tuple(number_text(float(seed)) for seed in sorted(rows["seed"].dropna().unique()))
