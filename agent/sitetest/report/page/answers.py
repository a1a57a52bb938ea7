"""What the client reads first: one sentence a location, a recommendation, what it rests on and what it does not.

No figure is worked out here. Pure. May import comparing, stats, report and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.comparing.campaign import CampaignResult, PairResult
from sitetest.comparing.document import reason_of
from sitetest.plan.site import Site
from sitetest.report.page.known import Known
from sitetest.report.requirement_check import RequirementCheck
from sitetest.report.wording import count_text
from sitetest.stats.answers import STANDING_SENTENCE, Verdict
from sitetest.stats.requirements import Fulfilment
from sitetest.stats.student_t import RatioInterval


@dataclass(frozen=True, slots=True)
class LocationAnswer:
    """What may be said at one location. decides: something was shown there. sentence: the answer. details: one a
    comparison. settle: what would settle what is open; empty when nothing is."""

    location: str
    decides: bool
    sentence: str
    details: tuple[str, ...]
    settle: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FirstPage:
    """question; headline: the answer in one sentence; answers by location; recommendation; rests_on, not_on: what the
    recommendation does and does not rest on; needs: requirements, one sentence each; costs: of access points, as the
    site file states them."""

    question: str
    headline: str
    answers: tuple[LocationAnswer, ...]
    recommendation: str
    rests_on: tuple[str, ...]
    not_on: tuple[str, ...]
    needs: tuple[str, ...]
    costs: tuple[str, ...]


def first_page(known: Known, question: str) -> FirstPage:
    """Return the first page of a document."""
    result = known.comparison
    answers = () if result is None else _answers(result)
    return FirstPage(
        question=question or _question(result),
        headline=_headline(answers),
        answers=answers,
        recommendation=_recommendation(result, answers),
        rests_on=_rests_on(known),
        not_on=(
            "what other devices, other spots and other hours would show: " + STANDING_SENTENCE,
            "how far the settings are allowed: channels, width, power and radar rules are set by each country",
            "what an access point costs to mount and to cable" + ("" if _costs(known.site) else ", or to buy"),
        ),
        needs=tuple(map(need_sentence, known.checks)),
        costs=_costs(known.site),
    )


def pair_sentence(pair: PairResult, margin: float) -> str:
    """Say what may be said of one comparison, with how sure that is."""
    verdict = pair.verdict
    turns = f"{verdict.a.valid} and {verdict.b.valid} measured turns"
    where = _direction(pair)
    match verdict.verdict:
        case Verdict.B_FASTER | Verdict.A_FASTER:
            b_faster = verdict.verdict is Verdict.B_FASTER
            faster, slower = (pair.b, pair.a) if b_faster else (pair.a, pair.b)
            least = "at least " if verdict.at_least else ""
            return f"{where}: {faster} is faster than {slower}, by {least}{_by(verdict.interval, b_faster)} ({turns})"
        case Verdict.NO_PRACTICAL_DIFFERENCE:
            return (
                f"{where}: no difference that matters between {pair.a} and {pair.b}: less than {100 * margin:.3g} % "
                f"either way ({turns})"
            )
        case _:
            return f"{where}: nothing can be said yet of {pair.b} against {pair.a}: {reason_of(pair)[1]} ({turns})"


def need_sentence(check: RequirementCheck) -> str:
    """Say whether one requirement is met."""
    case, finding = check.case, check.finding
    unit, least = ("Mbit/s", "at least") if check.what == "throughput_mbps" else ("ms round trip under load", "at most")
    word = {Fulfilment.MET: "is met", Fulfilment.NOT_MET: "is not met"}.get(finding.fulfilment, "is not shown")
    seen = "" if finding.typical is None else f"; seen: {finding.typical:.4g}"
    between = "" if finding.low is None or finding.high is None else f" ({finding.low:.4g} to {finding.high:.4g})"
    what = f"{least} {check.wanted:g} {unit}"
    return f"{case.location}, {case.direction} with {case.ap_config}: {what} {word}{seen}{between}"


def _answers(result: CampaignResult) -> tuple[LocationAnswer, ...]:
    places: dict[str, list[PairResult]] = {}
    for pair in result.pairs:
        places.setdefault(pair.location or "all", []).append(pair)
    return tuple(_answer(place, pairs, result.rules.margin) for place, pairs in places.items())


def _answer(location: str, pairs: Sequence[PairResult], margin: float) -> LocationAnswer:
    shown = [pair for pair in pairs if pair.verdict.verdict is not Verdict.NOT_ENOUGH_EVIDENCE]
    winners = {_winner(pair) for pair in pairs}
    faster = winners - {None, ""}
    if not shown:
        sentence = "the measurements do not support a choice here."
    elif len(pairs) == len(shown) and winners == {""}:
        sentence = f"no difference that matters: less than {100 * margin:.3g} % in every comparison."
    elif len(faster) == 1 and None not in winners:
        name = next(iter(faster))
        everywhere = (
            "everything that was compared" if winners == faster else "part of what was compared, and not slower"
        )
        sentence = f"{name} is faster in {everywhere}."
    elif len(faster) == 1:
        sentence = f"{next(iter(faster))} is faster in part of what was compared; the rest is open."
    elif faster:
        sentence = "it depends on what is asked: see below, each is faster in something."
    else:
        sentence = "no difference that matters in part of what was compared; the rest is open."
    return LocationAnswer(
        location,
        bool(shown),
        sentence,
        tuple(pair_sentence(pair, margin) for pair in pairs),
        tuple(text for pair in pairs if (text := _settle(pair))),
    )


def _winner(pair: PairResult) -> str | None:
    """Return who is faster, "" for nobody, None where nothing may be said."""
    match pair.verdict.verdict:
        case Verdict.A_FASTER:
            return pair.a
        case Verdict.B_FASTER:
            return pair.b
        case Verdict.NO_PRACTICAL_DIFFERENCE:
            return ""
        case _:
            return None


def _settle(pair: PairResult) -> str:
    """Say what would settle a comparison that is open."""
    if pair.verdict.verdict is not Verdict.NOT_ENOUGH_EVIDENCE:
        return ""
    if pair.plan is not None and pair.plan.quads is not None:
        return f"{_direction(pair)}: {count_text(pair.plan.quads, 'quad')} of alternating turns could decide it"
    more = pair.verdict.more_turns
    if more is None or more.turns is None:
        return f"{_direction(pair)}: more turns at a quieter hour, or a look at what makes them differ so much"
    return f"{_direction(pair)}: about {count_text(more.turns, 'more turn')} of each, if the spread stays what it is"


def _direction(pair: PairResult) -> str:
    words = [pair.direction or "throughput", pair.leg if pair.leg != "lan" else "", pair.engine or ""]
    return " ".join(word for word in words if word)


def _by(interval: RatioInterval | None, b_faster: bool) -> str:
    if interval is None:
        return "an amount that cannot be told"
    ratio, low, high = interval.ratio, interval.low, interval.high
    if not b_faster:
        ratio, low, high = 1 / ratio, 1 / high, 1 / low
    level = 100 * interval.level
    return f"{100 * (ratio - 1):.3g} % ({level:.3g} % interval {100 * (low - 1):.3g} to {100 * (high - 1):.3g} %)"


def _question(result: CampaignResult | None) -> str:
    if result is None:
        return "What does the network give, and what limits it?"
    names = result.question.names
    return f"Which is better here: {' or '.join(names)}?"


def _headline(answers: Sequence[LocationAnswer]) -> str:
    if not answers:
        return "One setting was measured; there is nothing to choose between."
    undecided = [answer for answer in answers if not answer.decides]
    if len(undecided) == len(answers):
        return "The data do not support a choice."
    if len(answers) == 1:
        return f"At {answers[0].location}: {answers[0].sentence}"
    sentences = {answer.sentence for answer in answers}
    if len(sentences) == 1 and len(answers) > 1:
        return f"At all {len(answers)} locations: {answers[0].sentence}"
    return " ".join(f"{answer.location}: {answer.sentence}" for answer in answers)


def _recommendation(result: CampaignResult | None, answers: Sequence[LocationAnswer]) -> str:
    if result is None:
        return "None: only one setting was measured."
    if not any(answer.decides for answer in answers):
        return "None yet. What would settle it is listed at each location."
    winners = [_winner(pair) for pair in result.pairs]
    named = set(winners) - {None, ""}
    if len(named) == 1 and None not in winners:
        part = "everything that" if set(winners) == named else "part of what"
        rest = "" if set(winners) == named else ", and nowhere slower by what matters"
        return f"{next(iter(named))}: faster in {part} was compared{rest}."
    if not named and None not in winners:
        return "Either: they do not differ by what matters. Choose by cost, reach or ease."
    return "By location, as said above; where nothing can be said yet, leave things as they are or measure more."


def _rests_on(known: Known) -> tuple[str, ...]:
    result = known.comparison
    counted = len(known.facts)
    visits = len({one.visit.visit_id for one in known.facts})
    lines = [f"{count_text(counted, 'attempt')} in {count_text(visits, 'visit')}, every one kept in the results file"]
    if result is not None:
        lines.append(
            f"a margin of {100 * result.rules.margin:.3g} %, below which a difference is of no practical interest, and "
            f"a chance of {100 * result.rules.alpha:.3g} % of one false statement of a kind over "
            f"{count_text(result.rules.family_size, 'comparison')}"
        )
    if known.simulated:
        lines.append("simulated figures, not those of a real network")
    return tuple(lines)


def _costs(site: Site | None) -> tuple[str, ...]:
    if site is None:
        return ()
    return tuple(f"{point.name}: {cost}" for point in site.access_points if (cost := point.cost))
