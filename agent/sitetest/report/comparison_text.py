"""What ``sitetest compare`` prints: a table of verdicts, then for each comparison all that must stand beside it.

May import comparing, stats, report and rich.
"""

from collections.abc import Iterator

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from sitetest.comparing.campaign import MOST_SHOWN, CampaignResult, PairResult
from sitetest.comparing.document import reason_of
from sitetest.comparing.shortest_plan import ShortestPlan
from sitetest.report.printable import printable
from sitetest.report.wording import NOT_MEASURED, count_text, rate_text
from sitetest.stats.answers import STANDING_SENTENCE, SideFacts, Verdict
from sitetest.stats.power import MOST_PLANNED_TURNS
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.student_t import RatioInterval

DECIDES_NOTHING = "This decides nothing"
LONGEST_ORDER = 200
"""Letters of an order of turns that are shown."""


def comparison_screen(result: CampaignResult) -> RenderableType:
    """Return the whole answer."""
    factor, names = result.question.factor, result.question.names
    parts: list[RenderableType] = [_line(f"{factor}: {', '.join(names[1:])} against {names[0]}", "bold")]
    if result.simulated is not None:
        parts.append(_line(_marked_simulated(result.simulated)))
    parts += [_line(note) for note in result.notes]
    judged = [pair for pair in result.pairs if not pair.described_only]
    described = [pair for pair in result.pairs if pair.described_only]
    if judged:
        parts += [Text(), _table(judged), Text(), *(_line(line) for line in _campaign_lines(result))]
        for pair in judged:
            parts += [Text(), _line(_heading(pair), "bold"), *_indented(_details(pair, result.rules))]
    if described:
        parts += [Text(), _line(DECIDES_NOTHING, "bold")]
        for pair in described:
            parts += [Text(), _line(_heading(pair), "bold"), *_indented(_description(pair))]
    if judged:
        parts += [Text(), _line(f"A verdict {STANDING_SENTENCE}.")]
    return Group(*parts)


def verdict_text(pair: PairResult) -> str:
    """Return the verdict with the names of the two in it."""
    verdict = pair.verdict
    match verdict.verdict:
        case Verdict.A_FASTER | Verdict.B_FASTER:
            name = pair.a if verdict.verdict is Verdict.A_FASTER else pair.b
            return f"{name} faster" + (", at least" if verdict.at_least else "")
        case Verdict.NO_PRACTICAL_DIFFERENCE:
            return "no practical difference"
        case Verdict.NOT_ENOUGH_EVIDENCE:
            return "not enough evidence"


def _line(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style)


def _indented(lines: Iterator[str]) -> list[RenderableType]:
    return [Padding(_line(line), (0, 0, 0, 2), expand=False) for line in lines]


def _marked_simulated(simulated: str) -> str:
    return simulated if simulated.startswith("simulated") else f"simulated: {simulated}"


def _heading(pair: PairResult) -> str:
    return f"{pair.case}: {pair.b} against {pair.a}"


def _table(pairs: list[PairResult]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("case", overflow="fold")
    table.add_column("verdict", overflow="fold")
    table.add_column("difference", justify="right")
    table.add_column("campaign interval", justify="right")
    table.add_column("turns", justify="right", no_wrap=True)
    for pair in pairs:
        verdict = pair.verdict
        cells = [
            pair.case if len({each.b for each in pairs}) == 1 else _heading(pair),
            verdict_text(pair),
            _per_cent(verdict.interval.ratio) if verdict.interval is not None else NOT_MEASURED,
            _range(verdict.campaign_interval) if verdict.campaign_interval is not None else NOT_MEASURED,
            f"{verdict.a.valid}, {verdict.b.valid}",
        ]
        table.add_row(*(_line(cell) for cell in cells))
    return table


def _campaign_lines(result: CampaignResult) -> Iterator[str]:
    rules = result.rules
    planned = "as found in the data" if result.question.family_size is None else "as stated"
    if result.planned is not None and rules.family_size == result.planned.rules.family_size:
        planned = "as planned before the first attempt"
    yield (
        f"Margin {_share(rules.margin)}, alpha {_share(rules.alpha)} over "
        f"{count_text(rules.family_size, 'comparison')} ({planned}), correction {rules.correction.value}; "
        + (f"looks at {', '.join(map(str, rules.looks))} turns." if rules.looks else "one look at all turns.")
    )
    if result.board is not None:
        name = result.question.names[0 if result.board is Verdict.A_FASTER else 1]
        yield f"{name} is faster across the board: in every comparison planned."
    if result.mean is not None:
        yield (
            f"Mean over all comparisons, not a statement about any one of them: {_per_cent(result.mean.ratio)} "
            f"(95 % interval {_range(result.mean)})."
        )


def _details(pair: PairResult, rules: ComparisonRules) -> Iterator[str]:
    verdict = pair.verdict
    _, explanation = reason_of(pair)
    yield f"{verdict_text(pair)}: {explanation}"
    if verdict.interval is not None:
        line = f"{pair.b} over {pair.a}: {_per_cent(verdict.interval.ratio)}, 95 % interval {_range(verdict.interval)}"
        if verdict.campaign_interval is not None:
            level = f"{100 * verdict.campaign_interval.level:.2f}"
            line += f"; campaign interval ({level} %) {_range(verdict.campaign_interval)}"
        yield line
    if verdict.p_difference is not None and verdict.p_equivalence is not None:
        yield (
            f"p of no difference {verdict.p_difference:.3g} (held: {verdict.adjusted_difference:.3g}), "
            f"p of a difference past the margin {verdict.p_equivalence:.3g} (held: {verdict.adjusted_equivalence:.3g})"
            + (f"; look {verdict.look} of {len(rules.looks)}, {verdict.look_turns} turns each" if rules.looks else "")
        )
    if verdict.probable_ratio is not None:
        name, ratio = (
            (pair.b, verdict.probable_ratio) if verdict.probable_ratio > 1 else (pair.a, 1 / verdict.probable_ratio)
        )
        yield f"{name} is probably {_per_cent(ratio).lstrip('+')} faster, less than the margin"
    following = pair.next_look_turns(rules)
    if following is not None:
        yield f"the campaign goes on: the plan looks again at {following} turns of each"
    if verdict.more_turns is not None:
        yield f"to settle it: {verdict.more_turns.sentence}"
    yield from _sides(pair)
    if verdict.unclipped is not None:
        changed = verdict.verdict_without_clip is not verdict.verdict
        yield (
            f"without the outlier limit: {_per_cent(verdict.unclipped.ratio)} ({_range(verdict.unclipped)})"
            + (f", and the verdict would be {verdict.verdict_without_clip.value.replace('_', ' ')}" if changed else "")
        )
    yield from _circumstances(pair)


def _sides(pair: PairResult) -> Iterator[str]:
    for name, side in ((pair.a, pair.verdict.a), (pair.b, pair.verdict.b)):
        yield f"{name}: {_side(side, pair)}"
    yield from _reliability(pair)


def _reliability(pair: PairResult) -> Iterator[str]:
    reliability = pair.verdict.reliability
    if reliability is not None:
        better = {"a": f"{pair.a} more reliable: ", "b": f"{pair.b} more reliable: "}.get(
            reliability.more_reliable or "", ""
        )
        yield (
            f"{better}{pair.b} failed {reliability.failed_b} of {reliability.turns_b}, {pair.a} {reliability.failed_a} "
            f"of {reliability.turns_a}, p = {reliability.p:.2g}"
        )


def _side(side: SideFacts, pair: PairResult) -> str:
    parts = []
    if side.estimate is not None:
        estimate = side.estimate
        parts.append(
            f"{rate_text(estimate.value_mbps)} Mbit/s "
            f"({rate_text(estimate.low_mbps)} to {rate_text(estimate.high_mbps)})"
        )
    if side.cv is not None:
        parts.append(f"CV {100 * side.cv:.1f} %")
    parts.append(f"{side.valid} of {side.turns} turns valid, {count_text(side.attempts, 'attempt')}")
    reasons = ", ".join(f"{count} {reason}" for reason, count in side.invalid_reasons)
    parts.append(f"{side.invalid} invalid" + (f" ({reasons})" if reasons else ""))
    partly = side.failed and side.attempts - side.invalid > side.turns
    parts.append(f"{count_text(side.failed, 'turn')} with a failed attempt" if partly else f"{side.failed} failed")
    flagged = ", ".join(
        f"{pair.where(turn.turn)} at {rate_text(turn.value_mbps)}{'' if turn.clipped else ', not pulled in'}"
        for turn in side.flagged
    )
    parts.append(f"{count_text(side.dips, 'dip')}" + (f", outliers: {flagged}" if flagged else ""))
    if side.ceiling_bound:
        parts.append("at the wired ceiling")
    return ", ".join(parts)


def _circumstances(pair: PairResult) -> Iterator[str]:
    interleaved = {True: "yes", False: "no, each stretch counts as one turn", None: "assumed"}[pair.interleaved]
    line = f"interleaved: {interleaved}"
    if pair.order:
        line += f" ({shortened(pair.order)})"
    if pair.seeds:
        line += f"; seed {', '.join(pair.seeds)}"
    if pair.began:
        line += f"; from {pair.began} to {pair.ended}"
    yield line
    if pair.also_differs:
        yield f"also differs between the two, and may be the cause: {'; '.join(pair.also_differs)}"
    if pair.ceiling_mbps is not None:
        yield f"wired ceiling: {rate_text(pair.ceiling_mbps)} Mbit/s"


def _description(pair: PairResult) -> Iterator[str]:
    _, explanation = reason_of(pair)
    yield f"Why: {explanation}."
    for name, values, side in ((pair.a, pair.values_a, pair.verdict.a), (pair.b, pair.values_b, pair.verdict.b)):
        shown = _listed(values)
        counts = f"{count_text(side.valid, 'independent turn')}, {side.failed} failed, {side.invalid} invalid"
        yield f"{name}: {shown} (Mbit/s; {counts})"
    if pair.apparent_ratio is not None:
        apparent = _per_cent(pair.apparent_ratio)
        yield f"apparent difference of {pair.b} over {pair.a}: {apparent}; no interval, no verdict"
    yield from _reliability(pair)
    yield from _circumstances(pair)
    if pair.plan is not None:
        yield _plan_text(pair.plan)


def _listed(values: tuple[float, ...] | None) -> str:
    if values is None:
        return f"more than {MOST_SHOWN} values"
    return " ".join(rate_text(value) for value in values) or "no value"


def shortened(order: str) -> str:
    """Return an order of turns that is too long to read by its beginning and its length."""
    if len(order) <= LONGEST_ORDER:
        return order
    turns = len(order) - order.count(" ")
    return f"{order[:LONGEST_ORDER].rpartition(' ')[0] or order[:LONGEST_ORDER]} and so on, {turns} turns"


def _plan_text(plan: ShortestPlan) -> str:
    basis = f"a spread of {_share(plan.cv)} between turns, " + ("as seen here" if plan.seen else "which is assumed")
    if plan.difference is not None:
        basis += f", and a true difference of {_per_cent(1 + plan.difference)}"
    if plan.turns is None:
        return f"What could: more than {MOST_PLANNED_TURNS} turns of each, with {basis}: not practical."
    return (
        f"What could: the shortest plan is {plan.quads} quads, {plan.turns} turns of each in the order A B B A or "
        f"B A A B, each begun by a fresh association (with {basis}: four chances in five)."
    )


def _per_cent(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.1f} %"


def _range(interval: RatioInterval) -> str:
    return f"{100 * (interval.low - 1):+.1f} to {100 * (interval.high - 1):+.1f} %"


def _share(share: float) -> str:
    return f"{100 * share:.3g} %"
