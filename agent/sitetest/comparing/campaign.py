"""A comparison over everything that a table of attempts holds: which pairs there are, in which order they were
measured, and what may be said of each.

    table + factor + names ──> selected rows ──> turns of each case ──> pairs ──> verdicts over the whole family

Promises: no verdict for configurations that did not alternate, nor from fewer than 3 turns; nothing is pooled that
must not be; what is assumed is said. May import stats, comparing, errors and plan.mistakes (wording).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, product
from math import exp, fsum, isnan
from typing import TYPE_CHECKING

from sitetest.comparing.alternation import alternates
from sitetest.comparing.attempt_table import THROUGHPUT, AttemptTable
from sitetest.comparing.case_turns import KEYS, Turn, case_of, key_columns, turns_of
from sitetest.comparing.pooling import mixed_columns, require_alike, require_one_world, told_apart
from sitetest.comparing.shortest_plan import ShortestPlan, shortest_plan
from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.stats.answers import Comparison, PairVerdict, Reason, Verdict
from sitetest.stats.looks import TURNS_PER_QUAD
from sitetest.stats.rules import DEFAULT_LOOKS, ComparisonRules, Correction
from sitetest.stats.student_t import RatioInterval
from sitetest.stats.turns import CaseTurns
from sitetest.stats.verdict import across_the_board, campaign_mean, judge
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
        "counted", "purpose", "quad", "schema_version",
    }
)  # fmt: skip
_TAG_NUMBERS = frozenset({"streams", "channel", "width_mhz", "warm_up_s", "duration_s", "seed"})
_MEASURED = frozenset(
    field.name for field in ATTEMPT_FIELDS if field.type in ("number", "integer") and field.name not in _TAG_NUMBERS
)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked. factor: the compared column; names: the reference first. family_size: comparisons planned, None
    for those found. where: column -> value that rows must have. pooled: columns that may differ after all."""

    factor: str
    names: tuple[str, ...]
    margin: float = 0.10
    alpha: float = 0.05
    correction: Correction = Correction.HOLM
    family_size: int | None = None
    where: Mapping[str, str] | None = None
    pooled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PairResult:
    """One comparison with all that stands beside it.

    location, leg, engine, direction: None where it is the compared column or not stated. interleaved: whether the two
    alternated, None when assumed. order: the turns as letters, a space between quads or visits; "" when not known.
    seeds, began, ended: as stated. values_a, values_b: Mbit/s of every valid turn as measured. apparent_ratio: B over A
    of what was seen, None when one side has no value. also_differs: conditions that differ between the sides.
    ceiling_mbps: wired ceiling, None when not known. places: visit and number of each turn, in order. plan: what could
    decide it, where no verdict was possible at all.
    """

    location: str | None
    leg: str | None
    engine: str | None
    direction: str | None
    a: str
    b: str
    verdict: PairVerdict
    interleaved: bool | None
    order: str
    seeds: tuple[str, ...]
    began: str
    ended: str
    values_a: tuple[float, ...]
    values_b: tuple[float, ...]
    apparent_ratio: float | None
    also_differs: tuple[str, ...]
    ceiling_mbps: float | None
    places: tuple[tuple[str, int], ...]
    plan: ShortestPlan | None

    def where(self, number: int) -> str:
        """Say where a turn of this comparison (1 is the first) stands in the data."""
        if self.interleaved is False:
            return f"stretch {number}"
        visit_id, turn = self.places[number - 1]
        return f"{visit_id} turn {turn}" if visit_id else f"{'turn' if self.order else 'data row'} {turn}"

    def next_look_turns(self, rules: ComparisonRules) -> int | None:
        """Turns of each configuration at which the plan looks again; None when it does not."""
        done = self.verdict
        if done.stop is not None or not rules.looks:
            return None
        if done.reason is Reason.EXTRA_QUAD_OWED:
            return rules.looks[-1] + TURNS_PER_QUAD
        return next((look for look in rules.looks if look > (done.look_turns or 0)), None)

    @property
    def case(self) -> str:
        """The case in words."""
        return " ".join(word for word in (self.location, self.direction, self.leg, self.engine) if word)

    @property
    def described_only(self) -> bool:
        """Whether the data decide nothing whatever they show: too few turns, or no alternation."""
        return self.verdict.reason is Reason.FEW_TURNS


@dataclass(frozen=True, slots=True)
class CampaignResult:
    """board: the verdict that all planned comparisons share, None otherwise. mean: B over A, the mean over them, None
    unless each has an interval and there is one B only. family_found: comparisons that the data hold."""

    question: Question
    rules: ComparisonRules
    pairs: tuple[PairResult, ...]
    board: Verdict | None
    mean: RatioInterval | None
    family_found: int
    source: str
    simulated: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Pair:
    key: Mapping[str, str]
    names: tuple[str, str]
    comparison: Comparison
    interleaved: bool | None
    order: str
    turns: tuple[Turn, ...]
    also_differs: tuple[str, ...]


def compare(table: AttemptTable, question: Question) -> CampaignResult:
    """Return what the table says. Raises UsageError when the question does not fit the data."""
    frame = _selected(table, question)
    simulated = require_one_world(frame, table.source)
    pairs = _pairs(replace(table, frame=frame), frame, question)
    family = question.family_size if question.family_size is not None else len(pairs)
    if family < len(pairs):
        raise UsageError(
            f"--family {family} is smaller than the {len(pairs)} comparisons that the data hold.",
            "State how many comparisons were planned before the first measurement.",
        )
    rules = ComparisonRules(
        family_size=family,
        margin=question.margin,
        alpha=question.alpha,
        correction=question.correction,
        looks=() if table.typed else DEFAULT_LOOKS,
    )
    comparisons = [pair.comparison for pair in pairs]
    verdicts = judge(comparisons, rules)
    one_b = len(question.names) == 2
    return CampaignResult(
        question=question,
        rules=rules,
        pairs=tuple(_result(*both, frame, rules) for both in zip(pairs, verdicts, strict=True)),
        board=across_the_board(verdicts, family) if one_b else None,
        mean=campaign_mean(comparisons, rules) if one_b and family > 1 else None,
        family_found=len(pairs),
        source=table.source,
        simulated=simulated,
        notes=(*table.notes, *_assumptions(table)),
    )


def _assumptions(table: AttemptTable) -> tuple[str, ...]:
    if not table.typed:
        return ()
    return (ASSUMED_IN_TIME if "started_at" in table.frame.columns else ASSUMED,)


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


def _pairs(table: AttemptTable, frame: "DataFrame", question: Question) -> list[_Pair]:
    columns = key_columns(frame, question.factor)
    mixed = mixed_columns(frame, question.factor, question.pooled)
    reference, *others = question.names
    by_key: dict[tuple[str, ...], list[Turn]] = turns_of(table, question.factor)
    order_known = not table.typed or ("started_at" in frame.columns and bool((frame["started_at"] != "").all()))
    pairs = []
    for (values, turns), other in product(sorted(by_key.items()), others):
        key = dict(zip(columns, values, strict=True))
        names = (reference, other)
        label = " ".join(value for value in values if value)
        rows = _rows(frame, key)
        differs = _conditions(rows, question.factor, names, mixed, label) if mixed else ()
        ceiling = _ceiling(rows)
        both = [turn for turn in turns if turn.level in names]
        interleaved, a, b = _side_by_side(both, names, order_known=order_known)
        comparison = Comparison(f"{label} {other}", a, b, ceiling)
        order = _order_text(both, names) if order_known else ""
        pairs.append(_Pair(key, names, comparison, interleaved, order, tuple(both), differs))
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
    """Return the largest ceiling stated for a case: the least that a value must come close to."""
    if "ceiling_mbps" not in rows.columns:
        return None
    largest = float(rows["ceiling_mbps"].max())
    return None if isnan(largest) else largest


def _side_by_side(
    both: Sequence[Turn], names: tuple[str, str], *, order_known: bool
) -> tuple[bool | None, CaseTurns, CaseTurns]:
    """Put the turns of two configurations side by side. Where they did not alternate, each stretch is one turn."""
    letters = "".join("A" if turn.level == names[0] else "B" for turn in both if not turn.lost)
    interleaved = alternates(letters) if order_known else None
    numbers = range(1, len(both) + 1) if interleaved is not False else _stretch_numbers(both)
    a, b = (case_of((n, turn) for n, turn in zip(numbers, both, strict=True) if turn.level == name) for name in names)
    return interleaved, a, b


def _stretch_numbers(turns: Sequence[Turn]) -> list[int]:
    numbers: list[int] = []
    for number, (_, same) in enumerate(groupby(turns, key=lambda turn: turn.level), start=1):
        numbers += [number] * len(list(same))
    return numbers


def _order_text(turns: Sequence[Turn], names: tuple[str, str]) -> str:
    quads = groupby(turns, key=lambda turn: (turn.visit_id, turn.quad))
    return " ".join("".join("A" if turn.level == names[0] else "B" for turn in quad) for _, quad in quads)


def _result(pair: _Pair, verdict: PairVerdict, frame: "DataFrame", rules: ComparisonRules) -> PairResult:
    values_a, values_b = (
        tuple(turn.log_mbps for turn in pair.turns if turn.level == name and turn.log_mbps is not None)
        for name in pair.names
    )
    apparent = exp(fsum(values_b) / len(values_b) - fsum(values_a) / len(values_a)) if values_a and values_b else None
    described = verdict.reason is Reason.FEW_TURNS
    began = [turn.began for turn in pair.turns if turn.began]
    words = {name: pair.key.get(name) or None for name in KEYS}
    return PairResult(
        **words,
        a=pair.names[0],
        b=pair.names[1],
        verdict=verdict,
        interleaved=pair.interleaved,
        order=pair.order,
        seeds=_seeds(frame, pair.key),
        began=min(began, default=""),
        ended=max(began, default=""),
        values_a=tuple(map(exp, values_a)),
        values_b=tuple(map(exp, values_b)),
        apparent_ratio=apparent,
        also_differs=pair.also_differs,
        ceiling_mbps=pair.comparison.ceiling_mbps,
        places=tuple((turn.visit_id, turn.number) for turn in pair.turns),
        plan=shortest_plan(values_a, values_b, rules) if described else None,
    )


def _seeds(frame: "DataFrame", key: Mapping[str, str]) -> tuple[str, ...]:
    if "seed" not in frame.columns:
        return ()
    return tuple(number_text(float(seed)) for seed in sorted(_rows(frame, key)["seed"].dropna().unique()))
