"""The two sides of every comparison that a table of attempts holds, measured in which order, under which conditions.

    table + factor + names ──> selected rows ──> turns of each case ──> A and B side by side

Promises: configurations that did not alternate get one turn for each stretch; nothing is pooled that must not be; what
is assumed is said. May import stats, comparing, store (words), errors, plan.self_test and plan.mistakes (wording).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import isnan
from typing import TYPE_CHECKING, Any

from sitetest.comparing.attempt_table import THROUGHPUT, VISIT_KIND, AttemptTable
from sitetest.comparing.case_turns import RanTurns, key_columns, turns_of
from sitetest.comparing.coded import Coded, coded
from sitetest.comparing.pooling import mixed_columns, require_alike, require_one_world, told_apart
from sitetest.comparing.side_by_side import side_by_side
from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.plan.self_test import is_self_test
from sitetest.stats.answers import Comparison
from sitetest.stats.rules import Correction
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.records import VisitKind
from sitetest.store.tidy import number_text

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray
    from pandas import DataFrame, Series

    from sitetest.comparing.case_turns import Integers

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

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that it names."""
        return (self.factor, *(self.where or {}), *self.pooled)


@dataclass(frozen=True, slots=True)
class PairedTurns:
    """One comparison before it is judged. key: column -> value of its case. seeds: as stated. The rest as in
    ``campaign.PairResult``."""

    key: Mapping[str, str]
    names: tuple[str, str]
    comparison: Comparison
    interleaved: bool | None
    order: str
    turns: RanTurns
    also_differs: tuple[str, ...]
    seeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PairedTable:
    """Every comparison that the data hold. simulated: what is simulated, None for real measurements. notes: how the
    data were read, and what is assumed about them. soaks: all of it is of soaks."""

    pairs: tuple[PairedTurns, ...]
    simulated: str | None
    notes: tuple[str, ...]
    soaks: bool = False

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
    table = _without_self_tests(table)
    frame = _selected(table, question)
    simulated = require_one_world(frame, table.source)
    chosen = replace(table, frame=frame)
    order_known = not table.typed or ("started_at" in frame.columns and bool((frame["started_at"] != "").all()))
    assumed = () if not table.typed else (ASSUMED_IN_TIME,) if order_known else (ASSUMED,)
    pairs = tuple(_pairs(chosen, question, order_known=order_known))
    soaks = VISIT_KIND in frame.columns and coded(frame[VISIT_KIND]).names == (VisitKind.SOAK,)
    return PairedTable(pairs, simulated, (*table.notes, *assumed), soaks)


def _without_self_tests(table: AttemptTable) -> AttemptTable:
    """Leave out what was measured of an AP config against itself. Raises UsageError when nothing is left."""
    if "profile" not in table.frame.columns:
        return table
    profiles = coded(table.frame["profile"])
    own = [number for number, name in enumerate(profiles.names) if is_self_test(name)]
    if not own:
        return table
    if len(own) == len(profiles.names):
        raise UsageError(f"{table.source} holds self-tests only, and they are no part of any comparison.")
    from numpy import isin  # noqa: PLC0415

    rows = isin(profiles.codes, own)
    note = f"Left out: {int(rows.sum())} attempts of self-tests."
    return replace(table, frame=table.frame[~rows], notes=(*table.notes, note))


def _selected(table: AttemptTable, question: Question) -> "DataFrame":
    """Return the rows of the names asked for, with the compared column as text."""
    from numpy import isin  # noqa: PLC0415

    frame, factor = table.frame, question.factor
    tags = [
        str(name) for name in (*frame.columns, *table.left_out) if name not in _NO_FACTORS and name not in _MEASURED
    ]
    for column in question.columns:
        if column not in frame.columns or (column == factor and factor not in tags):
            close = nearest(column, tags)
            hint = f" Did you mean {quoted(close)}?" if close else ""
            raise UsageError(f"{table.source} has no column {quoted(column)} to go by; it has {listed(tags)}.{hint}")
    for column, wanted in (question.where or {}).items():
        chosen = _texts(frame[column]).rows_with(wanted)
        if not chosen.any():
            raise UsageError(f"{table.source} has no attempt with {column} {quoted(wanted)}.")
        frame = frame[chosen]
    levels = _texts(frame[factor])
    for name in question.names:
        if name not in levels.names:
            known = [level for level in levels.names if level]
            close = nearest(name, known)
            hint = f" Did you mean {quoted(close)}?" if close else ""
            raise UsageError(
                f"{table.source} has no attempt with {factor} {quoted(name)}; it has {listed(known)}.{hint}"
            )
    frame = frame.assign(**{factor: levels.as_column(frame.index)})
    if set(levels.names) == set(question.names):
        return frame
    return frame[isin(levels.codes, [levels.names.index(name) for name in question.names])]


def _texts(cells: "Series[Any]") -> Coded:
    """Return a column as people write its values, numbers without needless zeros."""
    from pandas import factorize  # noqa: PLC0415
    from pandas.api.types import is_numeric_dtype  # noqa: PLC0415

    if not is_numeric_dtype(cells.dtype):
        return coded(cells, str.strip)
    codes, numbers = factorize(cells)
    texts = Coded(codes, tuple(number_text(float(number)) for number in numbers))
    return coded(texts.as_column(cells.index))


def _pairs(table: AttemptTable, question: Question, *, order_known: bool) -> list[PairedTurns]:
    frame = table.frame
    columns = key_columns(frame, question.factor)
    mixed = mixed_columns(frame, question.factor, question.pooled)
    reference, *others = question.names
    ceilings = _wire_ceilings(frame)
    pairs = []
    for (values, turns), other in product(turns_of(table, question.factor).items(), others):
        key = dict(zip(columns, values, strict=True))
        names = (reference, other)
        label = " ".join(value for value in values if value)
        differs = _conditions(frame.iloc[turns.rows], question.factor, names, mixed, label) if mixed else ()
        both = turns.of(*names)
        sides = side_by_side(both, names, order_known=order_known)
        pairs.append(
            PairedTurns(
                key=key,
                names=names,
                comparison=Comparison(f"{label} {other}", sides.a, sides.b, _largest(ceilings[turns.rows])),
                interleaved=sides.interleaved,
                order=_order_text(both, reference) if order_known else "",
                turns=both,
                also_differs=differs,
                seeds=_seeds(frame, turns.rows),
            )
        )
    return pairs


def _conditions(
    rows: "DataFrame", factor: str, names: tuple[str, str], mixed: Sequence[str], label: str
) -> tuple[str, ...]:
    rows = rows[rows[THROUGHPUT] > 0]
    if "counted" in rows.columns:
        rows = rows[~coded(rows["counted"]).rows_with("false")]
    levels = coded(rows[factor])
    a, b = (rows[levels.rows_with(name)] for name in names)
    require_alike(a, mixed, names[0], label)
    require_alike(b, mixed, names[1], label)
    return told_apart(a, b, mixed)


def _wire_ceilings(frame: "DataFrame") -> "NDArray[float64]":
    """Return the ceiling of the wire stated in each row, NaN where none is.

    Ceilings that another part of the path set do not count; where the file does not say what set them, all do.
    """
    from numpy import full, nan, where  # noqa: PLC0415

    if "ceiling_mbps" not in frame.columns:
        return full(len(frame), nan)
    ceilings: NDArray[float64] = frame["ceiling_mbps"].to_numpy()
    if "ceiling_by" not in frame.columns:
        return ceilings
    by = coded(frame["ceiling_by"])
    return where(by.rows_with("") | by.rows_with("wire"), ceilings, nan)


def _largest(numbers: "NDArray[float64]") -> float | None:
    """Return the largest number: of ceilings, the least that a value must come close to. None where all are NaN."""
    from numpy import isnan  # noqa: PLC0415

    stated = numbers[~isnan(numbers)]
    return float(stated.max()) if len(stated) else None


def _seeds(frame: "DataFrame", rows: "Integers") -> tuple[str, ...]:
    if "seed" not in frame.columns:
        return ()
    seeds = set(frame["seed"].to_numpy()[rows].tolist())
    return tuple(number_text(seed) for seed in sorted(seed for seed in seeds if not isnan(seed)))


def _order_text(turns: RanTurns, reference: str) -> str:
    """Return the turns as letters, with a space between quads and between visits."""
    from numpy import frombuffer, insert, uint8  # noqa: PLC0415

    letters = frombuffer(turns.letters(reference).upper().encode(), dtype=uint8)
    quad, visit = turns.quad, turns.visit
    new = (visit[1:] != visit[:-1]) | (quad[1:] != quad[:-1])
    return insert(letters, new.nonzero()[0] + 1, ord(" ")).tobytes().decode()
