"""What a self-test says about a place and a method: one AP config against itself.

    attempts ──> turns, alternately A and B ──> the tests of every comparison ──> spread, and a difference that is false

May import plan.self_test, stats, comparing, and pandas objects.
"""

from dataclasses import asdict, dataclass, replace
from typing import Any

from sitetest.comparing.attempt_table import AttemptTable
from sitetest.comparing.coded import coded
from sitetest.comparing.pairing import PairedTurns, Question, pair_up
from sitetest.comparing.side_by_side import logs_of
from sitetest.plan.self_test import nominal_sides
from sitetest.stats.answers import PairVerdict, Reason, Verdict
from sitetest.stats.case_estimate import SD_FLOOR
from sitetest.stats.power import smallest_found
from sitetest.stats.rules import DEFAULT_LOOKS, ComparisonRules, spread_looks
from sitetest.stats.sides import NO_ASSOCIATION
from sitetest.stats.spread import Spread, pooled_spread
from sitetest.stats.verdict import judge

SIDE, A, B = "side", "A", "B"
PLANNED_TURNS = (4, 8, 12)
"""Turns of each AP config for which it is said what a campaign could find."""

SAME_ASSOCIATION = (
    "No fresh association began the turns, since this system lets no program ask for one: the spread is that within "
    "one association, and between associations it may be larger."
)


@dataclass(frozen=True, slots=True)
class Found:
    """difference: smallest true difference (B over A less one, a share) that a campaign with ``turns`` of each AP
    config finds four times in five; None for more than threefold."""

    turns: int
    difference: float | None


@dataclass(frozen=True, slots=True)
class SelfTestCase:
    """One case. location, leg, engine, direction: "" where not stated. verdict: of B against A, which are the same;
    false_difference: a difference was shown that cannot be there. spread: None when no side has two turns. found: one
    for each of PLANNED_TURNS, none without a spread."""

    label: str
    verdict: PairVerdict
    false_difference: bool
    spread: Spread | None
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class SelfTest:
    """rules: of this self-test, one look over all its cases. order: the turns as letters."""

    location: str
    ap_config: str
    order: str
    seed: int
    rules: ComparisonRules
    cases: tuple[SelfTestCase, ...]
    simulated: str | None
    notes: tuple[str, ...]


def self_test(table: AttemptTable, *, seed: int, family: int) -> SelfTest:
    """Return what the attempts of one self-test visit say. family: cases planned. The table has an attempt at least."""
    frame = table.frame
    turns = sorted(set(frame["turn"].tolist()))
    letter_of = dict(zip(turns, nominal_sides(len(turns), seed), strict=True))
    sided = frame.assign(**{SIDE: frame["turn"].map(letter_of)}).drop(columns="profile")
    notes: tuple[str, ...] = ()
    if NO_ASSOCIATION in coded(frame["association"]).names:
        sided, notes = sided.drop(columns="association"), (SAME_ASSOCIATION,)
    sides = [name for name in (A, B) if name in letter_of.values()]
    rules = ComparisonRules(family_size=family, looks=())
    paired = pair_up(replace(table, frame=sided), Question(SIDE, (A, B))) if len(sides) == 2 else None
    pairs = () if paired is None else paired.pairs
    verdicts = judge([pair.comparison for pair in pairs], rules)
    return SelfTest(
        location=coded(frame["location"]).names[0],
        ap_config=coded(frame["ap_config"]).names[0],
        order="".join(letter_of[turn] for turn in turns),
        seed=seed,
        rules=rules,
        cases=tuple(_case(pair, verdict, family) for pair, verdict in zip(pairs, verdicts, strict=True)),
        simulated=None if paired is None else paired.simulated,
        notes=notes,
    )


def _case(pair: PairedTurns, verdict: PairVerdict, family: int) -> SelfTestCase:
    spread = pooled_spread(logs_of(pair.turns, name) for name in pair.names)
    found = () if spread is None else tuple(_found(turns, spread.cv, family) for turns in PLANNED_TURNS)
    return SelfTestCase(
        label=" ".join(value for name, value in pair.key.items() if value and name != "location"),
        verdict=verdict,
        false_difference=verdict.verdict in (Verdict.A_FASTER, Verdict.B_FASTER),
        spread=spread,
        found=found,
    )


def _found(turns: int, cv: float, family: int) -> Found:
    rules = ComparisonRules(family_size=family, looks=spread_looks(PLANNED_TURNS[0], turns, len(DEFAULT_LOOKS)))
    return Found(turns, smallest_found(turns, max(cv, SD_FLOOR), rules))


def self_test_document(result: SelfTest) -> dict[str, Any]:
    """Return the answer of ``selftest --json``. Shares are shares, a ratio is B over A, null is "not known"."""
    return {
        "location": result.location,
        "ap_config": result.ap_config,
        "order": result.order,
        "seed": result.seed,
        "margin": result.rules.margin,
        "alpha": result.rules.alpha,
        "family_size": result.rules.family_size,
        "false_differences": sum(case.false_difference for case in result.cases),
        "cases": [_case_document(case) for case in result.cases],
        "simulated": result.simulated,
        "notes": list(result.notes),
    }


def _case_document(case: SelfTestCase) -> dict[str, Any]:
    verdict, spread = case.verdict, case.spread
    interval = verdict.interval
    return {
        "case": case.label,
        "n_a": verdict.a.valid,
        "n_b": verdict.b.valid,
        "failed": verdict.a.failed + verdict.b.failed,
        "invalid": verdict.a.invalid + verdict.b.invalid,
        "cv": None if spread is None else spread.cv,
        "cv_low": None if spread is None else spread.low,
        "cv_high": None if spread is None else spread.high,
        "ratio": None if interval is None else interval.ratio,
        "ratio_low": None if interval is None else interval.low,
        "ratio_high": None if interval is None else interval.high,
        "false_difference": case.false_difference,
        "equality_shown": verdict.reason is Reason.EQUIVALENCE_SHOWN,
        "found": [asdict(one) for one in case.found],
    }
