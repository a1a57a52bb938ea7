"""The worked cases of the project's statistical method, to the printed digits.

The figures were computed with scipy and statsmodels when the method was laid down (invented throughputs, Mbit/s), not
with the functions under test. One look (weight 1) and one comparison unless said.
"""

from dataclasses import dataclass

import pytest
from printed import agrees, assert_agree

from sitetest.stats.answers import Comparison, PairVerdict, Reason, Verdict
from sitetest.stats.evidence import gather
from sitetest.stats.gate import judge_gate
from sitetest.stats.gate_answers import GateAnswer, GateCase, GateReason, GateRules
from sitetest.stats.looks import Stop, replay
from sitetest.stats.rates import rate
from sitetest.stats.rules import ComparisonRules, Correction
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts, case_from_values
from sitetest.stats.verdict import across_the_board, campaign_mean, judge

ONE = ComparisonRules(family_size=1, looks=())


def _values(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def _case(text: str, failed: int = 0, invalid: int = 0) -> CaseTurns:
    """Valid turns with these values, then failed ones, then turns that only have invalid attempts."""
    attempts = [TurnAttempt(i, Outcome.VALID, value) for i, value in enumerate(_values(text))]
    attempts += [TurnAttempt(100 + i, Outcome.FAILED) for i in range(failed)]
    attempts += [TurnAttempt(200 + i, Outcome.INVALID, reason="roamed") for i in range(invalid)]
    return case_from_attempts(attempts)


def _judge(a: CaseTurns, b: CaseTurns, ceiling_mbps: float | None = None) -> PairVerdict:
    return judge([Comparison("one", a, b, ceiling_mbps)], ONE)[0]


@dataclass(frozen=True)
class Printed:
    """One row: ratio and plain interval, p-values, flags, and both case estimates."""

    name: str
    a: str
    b: str
    ratio: str
    p_difference: str
    p_equivalence: str
    flags: tuple[int, int]
    verdict: Verdict
    cases: str
    failed_b: int = 0
    ceiling_mbps: float | None = None


A, B = Verdict.A_FASTER, Verdict.B_FASTER
SAME, OPEN = Verdict.NO_PRACTICAL_DIFFERENCE, Verdict.NOT_ENOUGH_EVIDENCE

# fmt: off
CASES = [
    Printed("1 clear difference", "402 417 389 410 398 405", "498 476 510 489 503 481",
            "1.2213 1.1820 .. 1.2619", "9.74e-08", "1.0000", (0, 0), B, "403.4 393.3 413.7 492.7 479.1 506.7"),
    Printed("2 no practical difference", "612 598 605 621 609 594 616 603", "615 607 599 624 611 602 618 596",
            "1.0029 0.9863 .. 1.0197", "0.7172", "5.28e-09", (0, 0), SAME, "607.2 599.7 614.8 608.9 600.8 617.1"),
    Printed("3 not enough evidence", "310 268 355 290 331", "362 318 410 297 388",
            "1.1395 0.9512 .. 1.3651", "0.1332", "0.6686", (0, 0), OPEN, "309.3 269.9 354.5 352.5 298.1 416.7"),
    Printed("4 one dip", "512 498 505 520 221 509 495 516", "560 548 571 555 566 543 574 559",
            "1.1330 1.0582 .. 1.2132", "0.0030", "0.8271", (1, 0), B, "493.7 461.3 528.4 559.4 550.5 568.5"),
    Printed("5 two levels", "480 475 482 330 478 325 484 335", "478 481 476 483 474 480 328 485",
            "1.1183 0.9464 .. 1.3215", "0.1646", "0.5859", (3, 1), OPEN, "417.0 354.5 490.4 466.3 436.3 498.4"),
    Printed("6 a difference below the margin", "700 716 688 709 694 719 701 690 711 698",
            "728 742 715 737 722 749 731 718 740 726",
            "1.0401 1.0254 .. 1.0551", "1.73e-05", "8.08e-08", (0, 0), SAME, "702.5 694.9 710.2 730.7 722.9 738.7"),
    Printed("8a B failed 5 of 8 turns", "300 312 295 305 309 298 303 307", "361 355 366",
            "1.1880 1.1536 .. 1.2234", "4.1e-05", "0.9993", (0, 0), OPEN, "303.6 298.8 308.4 360.6 347.2 374.6",
            failed_b=5),
    Printed("9a both at the wired ceiling", "938 940 939 937 940 938", "939 940 938 940 939 940",
            "1.0007 0.9879 .. 1.0137", "0.9045", "7.46e-09", (0, 0), OPEN, "938.7 928.9 948.6 939.3 929.5 949.2",
            ceiling_mbps=941),
    Printed("9b only B at the ceiling", "702 715 690 708 699 711", "936 940 931 939 938 940",
            "1.3312 1.3114 .. 1.3513", "4.05e-12", "1.0000", (0, 0), B, "704.1 694.6 713.7 937.3 927.5 947.2",
            ceiling_mbps=941),
    Printed("10a ties, a difference", "400 400 400 400", "480 480 480 480",
            "1.2000 1.1794 .. 1.2209", "2.24e-07", "1.0000", (0, 0), B, "400.0 393.7 406.4 480.0 472.4 487.7"),
    Printed("10b ties, the same value", "400 400 400 400", "400 400 400 400",
            "1.0000 0.9828 .. 1.0175", "1.0000", "5.17e-06", (0, 0), SAME, "400.0 393.7 406.4 400.0 393.7 406.4"),
]
# fmt: on


@pytest.mark.parametrize("row", CASES, ids=lambda row: row.name)
def test_pair_agrees_with_the_printed_case(row: Printed) -> None:
    """Cases 1 to 10: every printed figure of the pair, and the verdict."""
    said = _judge(_case(row.a), _case(row.b, failed=row.failed_b), row.ceiling_mbps)
    assert said.verdict is row.verdict
    assert said.interval is not None
    assert said.p_difference is not None
    assert said.p_equivalence is not None
    assert_agree((said.interval.ratio, said.interval.low, said.interval.high), row.ratio)
    assert agrees(said.p_difference, row.p_difference)
    assert agrees(said.p_equivalence, row.p_equivalence)
    assert (len(said.a.flagged), len(said.b.flagged)) == row.flags
    a, b = said.a.estimate, said.b.estimate
    assert a is not None
    assert b is not None
    assert_agree((a.value_mbps, a.low_mbps, a.high_mbps, b.value_mbps, b.low_mbps, b.high_mbps), row.cases)


def _row(number: str) -> PairVerdict:
    row = next(row for row in CASES if row.name.split()[0] == number)
    return _judge(_case(row.a), _case(row.b, failed=row.failed_b), row.ceiling_mbps)


@pytest.mark.parametrize(("number", "turns"), [("3", 17), ("5", 32)])
def test_undecided_case_says_how_many_turns_would_do(number: str, turns: int) -> None:
    """Cases 3 and 5: the number of turns of a new campaign."""
    said = _row(number)
    assert said.reason is Reason.SPREAD
    assert said.more_turns is not None
    assert said.more_turns.turns == turns


def test_case_4_also_shows_what_the_clip_changed() -> None:
    """Case 4: without the clip 1.2224 (0.9554 .. 1.5639), p 0.0954, so not enough evidence; the dip stays visible."""
    said = _row("4")
    assert said.unclipped is not None
    assert_agree((said.unclipped.ratio, said.unclipped.low, said.unclipped.high), "1.2224 0.9554 .. 1.5639")
    assert said.verdict_without_clip is OPEN
    (dip,) = said.a.flagged
    assert (dip.turn, round(dip.value_mbps), dip.low, dip.clipped) == (4, 221, True, True)
    assert said.a.dips == 1


def test_case_4_without_the_clip_has_the_printed_p() -> None:
    """Case 4: p 0.0954 without the clip."""
    row = next(row for row in CASES if row.name.startswith("4"))
    progress = replay(_case(row.a), _case(row.b), ONE)
    assert progress.test is not None
    assert agrees(progress.test.raw.p_different(), "0.0954")


def test_case_5_with_two_levels_is_not_straightened_out() -> None:
    """Case 5: three of eight flagged is more than a fifth, so A is not clipped; B's single one is."""
    said = _row("5")
    assert [flag.clipped for flag in said.a.flagged] == [False] * 3
    assert [flag.clipped for flag in said.b.flagged] == [True]


def test_case_6_adds_that_a_small_difference_is_probable() -> None:
    """Case 6: no practical difference, and B is probably 4 % faster."""
    said = _row("6")
    assert said.probable_ratio is not None
    assert agrees(said.probable_ratio, "1.0401")
    assert _row("2").probable_ratio is None


@pytest.mark.parametrize(("a", "b"), [("412", "530"), ("412 409", "530 534")])
def test_case_7_one_or_two_turns_never_give_a_verdict(a: str, b: str) -> None:
    """Cases 7a, 7b: fewer than 3 valid turns; values only, no interval."""
    said = _judge(_case(a), _case(b))
    assert (said.verdict, said.reason) == (OPEN, Reason.FEW_TURNS)
    assert said.interval is None
    assert said.campaign_interval is None
    assert said.p_difference is None
    assert said.a.estimate is None
    assert said.a.valid == len(_values(a))
    assert said.more_turns is None


def test_case_8a_failed_turns_forbid_what_the_rest_would_say() -> None:
    """Case 8a: B may not be called faster, equality is blocked, and the reliability line says p 0.0081."""
    said = _row("8a")
    assert said.reason is Reason.FAILED_TURNS
    assert said.difference_blocked is said.equivalence_blocked is Reason.FAILED_TURNS
    assert said.more_turns is None
    line = said.reliability
    assert line is not None
    assert (line.failed_a, line.turns_a, line.failed_b, line.turns_b) == (0, 8, 5, 8)
    assert agrees(line.p, "0.0081")
    assert line.more_reliable == "a"


def test_case_8b_a_configuration_that_always_failed_has_only_the_reliability_line() -> None:
    """Case 8b: no throughput verdict."""
    said = _judge(_case("300 312 295 305 309 298 303 307"), _case("", failed=8))
    assert (said.verdict, said.reason) == (OPEN, Reason.FEW_TURNS)
    assert said.b.failed == 8
    assert said.reliability is not None
    assert said.reliability.more_reliable == "a"


def test_case_8c_too_many_invalid_attempts_forbid_any_verdict() -> None:
    """Case 8c: B roamed six times, A never; nothing is estimated, the counts are shown."""
    said = _judge(_case("400 392 410 405 398 403"), _case("402 395 408 401 399 406", invalid=6))
    assert (said.verdict, said.reason) == (OPEN, Reason.INVALID)
    assert said.interval is None
    assert (said.b.invalid, said.b.attempts, said.b.invalid_reasons) == (6, 12, (("roamed", 6),))


def test_case_9_the_wired_ceiling_forbids_equality_and_not_a_difference() -> None:
    """Cases 9a, 9b: equality is blocked; "B faster" stays and reads "at least"."""
    both, only_b = _row("9a"), _row("9b")
    assert both.reason is both.equivalence_blocked is Reason.WIRED_CEILING
    assert not both.at_least
    assert only_b.at_least
    assert only_b.equivalence_blocked is Reason.WIRED_CEILING
    assert (only_b.a.ceiling_bound, only_b.b.ceiling_bound) == (False, True)


# fmt: off
CASE_11 = [
    ("near/down", "805 790 812 798 820 801", "985 960 1002 978 969 991", "1.2194 1.1970 .. 1.2422",
     "5.52e-10 3.31e-09 1.0000 1.0000", "0.9917 1.1865 .. 1.2532", B),
    ("near/up", "610 598 622 605 615 601", "612 606 618 599 609 604", "0.9992 0.9825 .. 1.0162",
     "0.9192 1.0000 2.06e-07 1.23e-06", "0.9833 0.9776 .. 1.0213", SAME),
    ("mid/down", "421 398 445 410 432 405", "452 436 470 441 462 429", "1.0715 1.0192 .. 1.1265",
     "0.0119 0.0476 0.1345 0.5381", "0.9875 1.0007 .. 1.1474", B),
    ("mid/up", "240 262 251 233 258 246", "262 238 255 271 244 250", "1.0200 0.9616 .. 1.0819",
     "0.4708 1.0000 0.0086 0.0428", "0.9800 0.9481 .. 1.0974", SAME),
    ("far/down", "118 131 124 112 127 121", "92 101 88 97 104 95", "0.7870 0.7300 .. 0.8484",
     "3.39e-05 0.000169 0.9992 1.0000", "0.9900 0.7072 .. 0.8758", A),
    ("far/up", "61 48 70 55 66 52", "58 71 49 64 75 53", "1.0483 0.8572 .. 1.2819",
     "0.6124 1.0000 0.3023 0.9070", "0.9833 0.8087 .. 1.3588", OPEN),
]
# fmt: on


def _campaign(rules: ComparisonRules) -> dict[str, PairVerdict]:
    comparisons = [
        Comparison(name, case_from_values(_values(a)), case_from_values(_values(b))) for name, a, b, *_ in CASE_11
    ]
    return {said.label: said for said in judge(comparisons, rules)}


@pytest.mark.parametrize("row", CASE_11, ids=lambda row: str(row[0]))
def test_case_11_campaign_of_six_pairs(row: tuple[str, str, str, str, str, str, Verdict]) -> None:
    """Case 11: Holm over K = 6 for both questions, and the campaign interval that agrees with each verdict."""
    name, _, _, interval, p_values, campaign, verdict = row
    said = _campaign(ComparisonRules(family_size=6, looks=()))[name]
    assert said.verdict is verdict
    assert said.interval is not None
    assert said.campaign_interval is not None
    assert said.p_difference is not None
    assert said.p_equivalence is not None
    assert_agree((said.interval.ratio, said.interval.low, said.interval.high), interval)
    computed = (said.p_difference, said.adjusted_difference, said.p_equivalence, said.adjusted_equivalence)
    assert_agree(computed, p_values)
    shown = said.campaign_interval
    assert_agree((shown.level, shown.low, shown.high), campaign)


def test_case_11_bonferroni_decides_two_pairs_less() -> None:
    """Case 11: mid/down (0.0119) and the equality of mid/up (0.0086) do not meet 0.05/6 = 0.0083."""
    said = _campaign(ComparisonRules(family_size=6, looks=(), correction=Correction.BONFERRONI))
    undecided = {name for name, one in said.items() if one.verdict is OPEN}
    assert undecided == {"mid/down", "mid/up", "far/up"}


def test_case_11_is_nothing_across_the_board_and_has_a_mean() -> None:
    """A campaign with different answers is not summed up in one word; its mean is only a mean."""
    rules = ComparisonRules(family_size=6, looks=())
    assert across_the_board(list(_campaign(rules).values()), 6) is None
    comparisons = [
        Comparison(name, case_from_values(_values(a)), case_from_values(_values(b))) for name, a, b, *_ in CASE_11
    ]
    mean = campaign_mean([gather(one, rules) for one in comparisons], rules)
    assert mean is not None
    product = 1.0
    for *_, interval, _, _, _ in CASE_11:
        product *= float(interval.split()[0])
    assert mean.ratio == pytest.approx(product ** (1 / 6), abs=1e-4)  # the printed ratios have 4 decimals
    assert campaign_mean([gather(one, rules) for one in comparisons[:5]], rules) is None


CASE_12_A = "505 489 514 497 508 493 511 500 495 506"
CASE_12_B = "561 590 548 577 569 583 556 574 580 565"


def test_case_12_goes_on_at_four_turns_and_stops_at_six() -> None:
    """Case 12: limits 0.0004167 and 0.0008333, p 0.0011 and 4.43e-06; what comes after the stop does not enter."""
    rules = ComparisonRules(family_size=6)
    a, b = case_from_values(_values(CASE_12_A)), case_from_values(_values(CASE_12_B))
    at_four, at_six, at_ten = (replay(a.first(n), b.first(n), rules) for n in (4, 6, 10))
    assert at_four.test is not None
    assert at_six.test is not None
    assert agrees(at_four.weight * rules.strict_level, "0.0004167")
    assert agrees(at_four.test.p_difference, "0.0011")
    assert (at_four.stop, at_four.next_turns) == (None, 6)
    assert agrees(at_six.weight * rules.strict_level, "0.0008333")
    assert agrees(at_six.test.p_difference, "4.43e-06")
    assert (at_six.stop, at_six.next_turns) == (Stop.DIFFERENCE, None)
    assert at_ten == at_six
    said = judge([Comparison("case 12", a, b)], rules)[0]
    assert (said.verdict, said.look_turns) == (B, 6)
    assert said.weight == pytest.approx(0.10)


NEAR = ("500 512 495 507 503 498", "497 509 501 494 505 500")
# fmt: off
CASE_13 = [
    ("13a", [NEAR, ("300 309 294 305 298 303", "296 304 301 292 299 306")],
     "0.9955 0.9851 .. 1.0060", "2.1e-12", "0.9939", GateAnswer.PASS, GateReason.NOT_WORSE),
    ("13b", [("500 560 455 530 478 515", "470 525 430 505 452 490"),
             ("300 335 268 318 286 309", "285 322 256 301 270 296")],
     "0.9489 0.8988 .. 1.0019", "0.0542", "0.9454", GateAnswer.INCONCLUSIVE, GateReason.MEAN_OPEN),
    ("13c", [NEAR, ("300 309 294 305 298 303", "226 233 221 230 224 229")],
     "0.8667 0.8573 .. 0.8763", "1.0000", "0.7534", GateAnswer.FAIL, GateReason.CASE_WORSE),
    ("13d", [("500 512 495 507 503 498", "502 514 499 505 508 500"),
             ("410 398 405 402 413 399", "409 401 406 400 411 403"),
             ("300 335 268 318 286 309", "262 300 238 281 251 270")],
     "0.9608 0.9338 .. 0.9886", "0.000861", "0.8820", GateAnswer.INCONCLUSIVE, GateReason.CASE_PAST_LIMIT),
]
# fmt: on


@pytest.mark.parametrize("row", CASE_13, ids=lambda row: str(row[0]))
def test_case_13_gate(
    row: tuple[str, list[tuple[str, str]], str, str, str, GateAnswer, GateReason],
) -> None:
    """Case 13: the gate at m = 10 %, one look."""
    _, texts, interval, p_pass, worst, answer, reason = row
    cases = [
        GateCase(f"case {i}", case_from_values(_values(old)), case_from_values(_values(new)))
        for i, (old, new) in enumerate(texts)
    ]
    result = judge_gate(cases, GateRules(family_size=len(cases)))
    assert (result.answer, result.reason) == (answer, reason)
    assert result.mean is not None
    assert result.p_pass is not None
    assert result.worst_ratio is not None
    assert result.mean.level == 0.90
    assert_agree((result.mean.ratio, result.mean.low, result.mean.high), interval)
    assert agrees(result.p_pass, p_pass)
    assert agrees(result.worst_ratio, worst)


@pytest.mark.parametrize(
    ("count", "printed"),
    [(7, "0.0292 0.0118 .. 0.0592"), (2, "0.0083 0.0010 .. 0.0298"), (0, "0.0000 0.0000 .. 0.0153")],
)
def test_case_14_rates_of_a_soak(count: int, printed: str) -> None:
    """Case 14: Clopper-Pearson 95 % of 240 tests."""
    found = rate(count, 240)
    assert_agree((found.share, found.low, found.high), printed)
