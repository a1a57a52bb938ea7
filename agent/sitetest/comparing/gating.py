"""A gate over everything that a table of attempts holds: has the new one made it worse?

Baseline and candidate are two values of a column, or two files. May import stats, comparing, errors, plan.mistakes
(wording) and pandas (inside functions).
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sitetest.comparing.attempt_table import AttemptTable, first_repeated
from sitetest.comparing.coded import coded
from sitetest.comparing.pairing import PairedTurns, Question, pair_up
from sitetest.comparing.pooling import cell_of
from sitetest.errors import UsageError
from sitetest.plan.mistakes import quoted
from sitetest.stats.answers import STANDING_SENTENCE
from sitetest.stats.gate import judge_gate
from sitetest.stats.gate_answers import GateAnswer, GateCase, GateCaseResult, GateReason, GateResult, GateRules
from sitetest.stats.rules import DEFAULT_ALPHA, DEFAULT_LOOKS, DEFAULT_MARGIN
from sitetest.stats.student_t import RatioInterval

if TYPE_CHECKING:
    from pandas import DataFrame

BUILD = "build"
"""Name of the compared column where each build has a file of its own; its values are ``old`` and ``new``."""


@dataclass(frozen=True, slots=True)
class GateReport:
    """question: names are the old and the new one. interleaved: for each case whether they alternated, None when
    assumed. notes: how the data were read, what is assumed, and which other conditions differ between old and new."""

    question: Question
    rules: GateRules
    result: GateResult
    interleaved: dict[str, bool | None]
    source: str
    simulated: str | None
    notes: tuple[str, ...]

    @property
    def explanation(self) -> str:
        """Why the answer is what it is; that the two did not alternate goes before too few turns, which it explains."""
        result = self.result
        if result.reason is GateReason.FEW_TURNS and any(
            self.interleaved[name] is False for name in result.cases_named
        ):
            return "the old and the new one did not alternate, so each stretch counts as one turn, and 3 are needed"
        return result.sentence

    def faults(self, case: GateCaseResult) -> bool:
        """Whether the gate fails because of this case."""
        return self.result.answer is GateAnswer.FAIL and case.label in self.result.cases_named


def run_gate(table: AttemptTable, question: Question, *, looks: bool = False) -> GateReport:
    """Return the answer; the question's margin is the limit. looks: answer as early as 4, 6, 8, 10 turns of each allow.

    Raises UsageError when the question does not fit the data.
    """
    paired = pair_up(table, question)
    rules = GateRules(
        family_size=paired.family(question.family_size),
        limit=DEFAULT_MARGIN if question.margin is None else question.margin,
        alpha=DEFAULT_ALPHA if question.alpha is None else question.alpha,
        looks=DEFAULT_LOOKS if looks else (),
    )
    labels = {id(pair): " ".join(value for value in pair.key.values() if value) for pair in paired.pairs}

    def case_of(pair: PairedTurns) -> GateCase:
        return GateCase(labels[id(pair)], pair.comparison.a, pair.comparison.b, pair.comparison.ceiling_mbps)

    differs = dict.fromkeys(
        f"Also differs between old and new, and may be the cause: {text}."
        for pair in paired.pairs
        for text in pair.also_differs
    )
    return GateReport(
        question=question,
        rules=rules,
        result=judge_gate([case_of(pair) for pair in paired.pairs], rules),
        interleaved={labels[id(pair)]: pair.interleaved for pair in paired.pairs},
        source=table.source,
        simulated=paired.simulated,
        notes=(*paired.notes, *differs),
    )


def two_builds(old: AttemptTable, new: AttemptTable) -> AttemptTable:
    """Return two files as one table with the column BUILD. Raises UsageError when they are not of one kind, or when an
    attempt is in both."""
    import pandas as pd  # noqa: PLC0415

    if old.typed != new.typed:
        typed, other = (old, new) if old.typed else (new, old)
        raise UsageError(
            f"{typed.source} does not say which turn a row belongs to, and {other.source} does.",
            "Name two exported tables, or two files typed by hand.",
        )
    both: DataFrame = pd.concat([_marked(old, "old"), _marked(new, "new")], ignore_index=True)
    for column in both.columns:
        if not pd.api.types.is_numeric_dtype(both[column].dtype):
            texts = {value: "" if pd.isna(value) else cell_of(value) for value in both[column].unique()}
            both[column] = both[column].map(texts).astype("str")
    if "test_id" in both.columns:
        twice = first_repeated(both["test_id"])
        if twice is not None:
            raise UsageError(
                f"The attempt {quoted(both['test_id'].iloc[twice])} is in both {old.source} and {new.source}."
            )
    notes = dict.fromkeys((*old.notes, *new.notes))
    left_out = tuple(dict.fromkeys((*old.left_out, *new.left_out)))
    return replace(old, frame=both, source=f"{old.source} and {new.source}", notes=tuple(notes), left_out=left_out)


def _marked(table: AttemptTable, build: str) -> "DataFrame":
    """Return the table with its build in a column, times and categories as texts, so that any two can be joined."""
    import pandas as pd  # noqa: PLC0415

    frame = table.frame.assign(**{BUILD: build})
    for column in frame.columns:
        if not pd.api.types.is_numeric_dtype(frame[column].dtype):
            cells = coded(frame[column])
            frame[column] = pd.Series(pd.array(cells.names, dtype="str").take(cells.codes), index=frame.index)
    return frame


def gate_document(report: GateReport) -> dict[str, Any]:
    """Return the answer of ``sitetest gate --json`` without ``format`` and ``command``. Shares are shares, a ratio is
    new over old, null is "not known" or "may not be said"."""
    result, rules = report.result, report.rules
    old, new = report.question.names
    return {
        "answer": result.answer.value,
        "reason": result.reason.value,
        "explanation": report.explanation,
        "factor": report.question.factor,
        "old": old,
        "new": new,
        "limit": rules.limit,
        "alpha": rules.alpha,
        "mean_ratio": _figure(result.mean, "ratio"),
        "mean_low": _figure(result.mean, "low"),
        "mean_high": _figure(result.mean, "high"),
        "mean_confidence": _figure(result.mean, "level"),
        "p_pass": result.p_pass,
        "worst": result.worst,
        "worst_ratio": result.worst_ratio,
        "cases_named": list(result.cases_named),
        "cases": [_case(case, report) for case in result.cases],
        "family_size": rules.family_size,
        "looks": list(rules.looks),
        "look_turns": result.turns,
        "stopped": result.stopped,
        "simulated": report.simulated,
        "source": report.source,
        "notes": list(report.notes),
        "holds": STANDING_SENTENCE,
    }


def _case(case: GateCaseResult, report: GateReport) -> dict[str, Any]:
    return {
        "case": case.label,
        "ratio": _figure(case.ratio, "ratio"),
        "ratio_low": _figure(case.ratio, "low"),
        "ratio_high": _figure(case.ratio, "high"),
        "n_old": case.ratio.n_a if case.ratio is not None else None,
        "n_new": case.ratio.n_b if case.ratio is not None else None,
        "old_mbps": case.old.value_mbps if case.old is not None else None,
        "new_mbps": case.new.value_mbps if case.new is not None else None,
        "p_worse": case.p_worse,
        "p_worse_adjusted": case.p_worse_adjusted,
        "p_fails_more": case.p_fails_more,
        "failed_old": case.failed_old,
        "failed_new": case.failed_new,
        "invalid_old": case.invalid_old,
        "invalid_new": case.invalid_new,
        "flagged": case.flagged,
        "ceiling_bound": case.ceiling_bound,
        "interleaved": report.interleaved[case.label],
    }


def _figure(interval: RatioInterval | None, name: str) -> float | None:
    return None if interval is None else float(getattr(interval, name))
