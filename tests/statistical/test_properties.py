"""What must hold for any data: symmetry, units, order, invalid attempts, and the floor of three turns."""

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.stats.answers import Comparison, PairVerdict, Verdict
from sitetest.stats.gate import judge_gate
from sitetest.stats.gate_answers import GateAnswer, GateCase, GateRules
from sitetest.stats.looks import replay
from sitetest.stats.rules import ComparisonRules, Correction
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts
from sitetest.stats.verdict import judge

Attempts = list[TurnAttempt]
repeatable = settings(deadline=None, derandomize=True, max_examples=150)
MIRROR = {Verdict.A_FASTER: Verdict.B_FASTER, Verdict.B_FASTER: Verdict.A_FASTER}
COMPARED = (Verdict.A_FASTER, Verdict.B_FASTER, Verdict.NO_PRACTICAL_DIFFERENCE)

# A level and deviations from it: ties, two levels, dips and honest spread all come up.
levels = st.sampled_from([95.0, 100.0, 110.0, 120.0, 300.0])
shares = st.one_of(st.sampled_from([1.0, 1.0, 1.0, 0.8, 1.25, 0.3]), st.floats(0.9, 1.1, allow_subnormal=False))


@st.composite
def attempts(draw: st.DrawFn, least: int = 0, most: int = 12, *, spoiled: bool = True) -> Attempts:
    """The attempts of one case: one valid attempt a turn, some turns failed, some with an invalid attempt before it."""
    level = draw(levels)
    made: Attempts = []
    for turn in range(1, draw(st.integers(least, most)) + 1):
        kind = draw(st.sampled_from(["valid"] * 8 + ["failed", "invalid first"])) if spoiled else "valid"
        if kind == "invalid first":
            made.append(TurnAttempt(turn, Outcome.INVALID, draw(shares) * level, "roamed"))
        if kind == "failed":
            made.append(TurnAttempt(turn, Outcome.FAILED, reason="timeout"))
        else:
            made.append(TurnAttempt(turn, Outcome.VALID, draw(shares) * level))
    return made


pairs = st.tuples(attempts(), attempts())
campaigns = st.lists(pairs, min_size=1, max_size=3)
ceilings = st.sampled_from([None, 100.0, 125.0])
plans = st.builds(
    ComparisonRules,
    family_size=st.just(3),
    looks=st.sampled_from([(), (4, 6, 8, 10), (3, 5)]),
    correction=st.sampled_from(Correction),
    give_up_early=st.booleans(),
)


def comparisons(campaign: list[tuple[Attempts, Attempts]], ceiling_mbps: float | None = None) -> list[Comparison]:
    """The campaign as comparisons, labelled by position."""
    return [
        Comparison(str(i), case_from_attempts(a), case_from_attempts(b), ceiling_mbps)
        for i, (a, b) in enumerate(campaign)
    ]


@repeatable
@given(campaigns, ceilings, plans)
def test_swapping_a_and_b_mirrors_everything(
    campaign: list[tuple[Attempts, Attempts]], ceiling_mbps: float | None, rules: ComparisonRules
) -> None:
    """Verdict, reason and look are mirrored; the ratio is the reciprocal; p-values stay."""
    plain = judge(comparisons(campaign, ceiling_mbps), rules)
    swapped = judge(comparisons([(b, a) for a, b in campaign], ceiling_mbps), rules)
    for one, other in zip(plain, swapped, strict=True):
        assert other.verdict is MIRROR.get(one.verdict, one.verdict)
        assert other.verdict_without_clip is MIRROR.get(one.verdict_without_clip, one.verdict_without_clip)
        assert (other.reason, other.look, other.p_difference) == (one.reason, one.look, one.p_difference)
        assert (other.a, other.b, other.at_least) == (one.b, one.a, one.at_least)
        if one.interval is not None and other.interval is not None:
            assert 1 / other.interval.ratio == pytest.approx(one.interval.ratio)
            assert 1 / other.interval.low == pytest.approx(one.interval.high)


def _in_unit(made: Attempts, factor: float) -> Attempts:
    return [
        replace(one, throughput_mbps=None if one.throughput_mbps is None else one.throughput_mbps * factor)
        for one in made
    ]


@repeatable
@given(campaigns, ceilings, plans, st.sampled_from([1e-3, 0.125, 8.0, 1000.0, 1e6]))
def test_the_unit_does_not_matter(
    campaign: list[tuple[Attempts, Attempts]], ceiling_mbps: float | None, rules: ComparisonRules, factor: float
) -> None:
    """kbit/s, MB/s or bit/s: the same verdicts, flags and ratios."""
    other_unit = [(_in_unit(a, factor), _in_unit(b, factor)) for a, b in campaign]
    plain = judge(comparisons(campaign, ceiling_mbps), rules)
    scaled = judge(comparisons(other_unit, None if ceiling_mbps is None else ceiling_mbps * factor), rules)
    for one, other in zip(plain, scaled, strict=True):
        assert (other.verdict, other.reason, other.look_turns) == (one.verdict, one.reason, one.look_turns)
        assert [flag.turn for flag in other.a.flagged] == [flag.turn for flag in one.a.flagged]
        if one.interval is not None and other.interval is not None:
            assert other.interval.ratio == pytest.approx(one.interval.ratio)


@repeatable
@given(campaigns, plans, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(
    campaign: list[tuple[Attempts, Attempts]], rules: ComparisonRules, random: object
) -> None:
    """Attempts carry their turn: however the rows are shuffled, every figure is the same."""
    assert hasattr(random, "shuffle")
    shuffled = [(list(a), list(b)) for a, b in campaign]
    for a, b in shuffled:
        random.shuffle(a)
        random.shuffle(b)
    assert judge(comparisons(shuffled), rules) == judge(comparisons(campaign), rules)


@repeatable
@given(campaigns, st.randoms(use_true_random=False))
def test_without_looks_the_order_of_turns_does_not_matter(
    campaign: list[tuple[Attempts, Attempts]], random: object
) -> None:
    """One look at everything: which turn came first changes nothing that is said."""
    assert hasattr(random, "shuffle")
    rules = ComparisonRules(family_size=3, looks=())

    def renumbered(made: Attempts) -> Attempts:
        numbers = sorted({one.turn for one in made})
        shuffled = list(numbers)
        random.shuffle(shuffled)
        new = dict(zip(numbers, shuffled, strict=True))
        return [replace(one, turn=new[one.turn]) for one in made]

    plain = judge(comparisons(campaign), rules)
    other = judge(comparisons([(renumbered(a), renumbered(b)) for a, b in campaign]), rules)
    for one, two in zip(plain, other, strict=True):
        assert (two.verdict, two.interval, two.campaign_interval) == (one.verdict, one.interval, one.campaign_interval)


@repeatable
@given(st.lists(pairs, min_size=3, max_size=3), plans)
def test_the_order_of_comparisons_does_not_matter(
    campaign: list[tuple[Attempts, Attempts]], rules: ComparisonRules
) -> None:
    """All six orders of three comparisons give each of them the same verdict and interval."""
    ordered = comparisons(campaign)
    expected = {said.label: said for said in judge(ordered, rules)}
    for order in permutations(ordered):
        for said in judge(order, rules):
            assert said.verdict is expected[said.label].verdict
            assert said.interval == expected[said.label].interval


@repeatable
@given(pairs, plans, st.integers(0, 9), st.integers(0, 9))
def test_invalid_attempts_never_make_a_verdict(
    pair: tuple[Attempts, Attempts], rules: ComparisonRules, more_a: int, more_b: int
) -> None:
    """Adding attempts that are flagged invalid can take a verdict away and never makes or changes one."""
    a, b = pair
    spoiled = (
        [*a, *(TurnAttempt(50 + i, Outcome.INVALID, 1e6, "roamed") for i in range(more_a))],
        [*b, *(TurnAttempt(50 + i, Outcome.INVALID, 1e-6, "roamed") for i in range(more_b))],
    )
    before, after = (judge(comparisons([one]), rules)[0] for one in (pair, spoiled))
    assert after.verdict in (before.verdict, Verdict.NOT_ENOUGH_EVIDENCE)
    assert (after.b.valid, after.b.cv) == (before.b.valid, before.b.cv)


@repeatable
@given(attempts(most=2), attempts(), plans, st.booleans(), ceilings)
def test_fewer_than_three_turns_never_give_a_verdict(
    few: Attempts, many: Attempts, rules: ComparisonRules, swap: bool, ceiling_mbps: float | None
) -> None:
    """n of 0, 1 or 2 on either side: no verdict and no interval, whatever the settings."""
    pair = (many, few) if swap else (few, many)
    said = judge(comparisons([pair], ceiling_mbps), rules)[0]
    assert said.verdict is Verdict.NOT_ENOUGH_EVIDENCE
    assert said.interval is None
    assert said.campaign_interval is None


@repeatable
@given(campaigns, ceilings, plans)
def test_campaign_interval_agrees_with_the_verdict(
    campaign: list[tuple[Attempts, Attempts]], ceiling_mbps: float | None, rules: ComparisonRules
) -> None:
    """Faster: the interval leaves out 1; no practical difference: it lies inside the margin; open: it holds 1."""
    for said in judge(comparisons(campaign, ceiling_mbps), rules):
        shown = said.campaign_interval
        if shown is None:
            assert said.verdict not in COMPARED
        elif said.verdict is Verdict.B_FASTER:
            assert shown.low >= 1 - 1e-9
        elif said.verdict is Verdict.A_FASTER:
            assert shown.high <= 1 + 1e-9
        elif said.verdict is Verdict.NO_PRACTICAL_DIFFERENCE:
            assert 1 / (1 + rules.margin) - 1e-9 <= shown.low <= shown.high <= 1 + rules.margin + 1e-9
        elif said.difference_blocked is None:
            assert shown.low <= 1 + 1e-9
            assert shown.high >= 1 - 1e-9


@repeatable
@given(attempts(least=3), attempts(least=3), plans)
def test_a_stopped_comparison_stays_stopped(a: Attempts, b: Attempts, rules: ComparisonRules) -> None:
    """Once a look has decided, later turns change neither the look nor its figures."""
    case_a, case_b = case_from_attempts(a), case_from_attempts(b)
    if not rules.looks:
        return
    stopped = None
    for turns in range(min(len(case_a.turns), len(case_b.turns)) + 1):
        progress = replay(case_a.first(turns), case_b.first(turns), rules)
        assert stopped is None or progress == stopped
        stopped = progress if progress.stop is not None else None


def _gate(campaign: list[tuple[Attempts, Attempts]], rules: GateRules) -> GateAnswer:
    cases = [
        GateCase(str(i), case_from_attempts(old), case_from_attempts(new)) for i, (old, new) in enumerate(campaign)
    ]
    return judge_gate(cases, rules).answer


@repeatable
@given(campaigns, st.sampled_from([(), (4, 6, 8, 10)]))
def test_a_gate_passes_only_when_every_planned_case_was_measured(
    campaign: list[tuple[Attempts, Attempts]], looks: tuple[int, ...]
) -> None:
    """One planned case more than measured: never a pass."""
    rules = GateRules(family_size=len(campaign) + 1, looks=looks)
    assert _gate(campaign, rules) is not GateAnswer.PASS


@repeatable
@given(st.lists(st.tuples(attempts(), attempts()), min_size=1, max_size=2), attempts(most=2, spoiled=False))
def test_a_gate_neither_passes_nor_fails_on_what_was_hardly_measured(
    campaign: list[tuple[Attempts, Attempts]], few: Attempts
) -> None:
    """ "Nothing measured" is never "slower": a case with n of 0, 1 or 2 adds no fail, and forbids a pass."""
    alone = _gate([(few, few)], GateRules(family_size=1))
    assert alone is GateAnswer.INCONCLUSIVE
    assert _gate([*campaign, (few, few)], GateRules(family_size=len(campaign) + 1)) is not GateAnswer.PASS


@repeatable
@given(attempts(least=3, spoiled=False))
def test_a_case_equals_itself(made: Attempts) -> None:
    """A against A: the ratio is exactly 1 and nothing is ever called faster."""
    case: CaseTurns = case_from_attempts(made)
    said: PairVerdict = judge([Comparison("self", case, case)], ComparisonRules(family_size=1, looks=()))[0]
    assert said.verdict not in (Verdict.A_FASTER, Verdict.B_FASTER)
    assert said.interval is not None
    assert said.interval.ratio == 1
