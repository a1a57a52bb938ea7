"""From a table of attempts to verdicts: turns, alternation, pooling, and what is never said."""

import random
from collections.abc import Sequence
from math import exp, log
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from sitetest.comparing.attempt_table import AttemptTable
from sitetest.comparing.campaign import CampaignResult, compare
from sitetest.comparing.case_turns import turns_of
from sitetest.comparing.data_file import read_data_file
from sitetest.comparing.document import comparison_document
from sitetest.comparing.pairing import Question
from sitetest.comparing.site_data import as_texts
from sitetest.errors import UsageError
from sitetest.stats.answers import Verdict
from sitetest.stats.turns import Outcome, TurnAttempt, case_from_attempts
from sitetest.store.fields import ATTEMPT_FIELDS

QUESTION = Question("ap_config", ("auto", "wide80"))
QUADS = "ABBA BAAB ABBA BAAB ABBA"

# The worked campaign of the method: six pairs, six turns each, one look, Holm over 6; verdicts and figures from scipy
# 1.17 and statsmodels 0.15 as printed there.
CASE_11 = {
    ("near", "download"): ("805 790 812 798 820 801", "985 960 1002 978 969 991", "b_faster", 1.2194),
    ("near", "upload"): ("610 598 622 605 615 601", "612 606 618 599 609 604", "no_practical_difference", 0.9992),
    ("mid", "download"): ("421 398 445 410 432 405", "452 436 470 441 462 429", "b_faster", 1.0715),
    ("mid", "upload"): ("240 262 251 233 258 246", "262 238 255 271 244 250", "no_practical_difference", 1.0200),
    ("far", "download"): ("118 131 124 112 127 121", "92 101 88 97 104 95", "a_faster", 0.7870),
    ("far", "upload"): ("61 48 70 55 66 52", "58 71 49 64 75 53", "not_enough_evidence", 1.0483),
}


def typed(rows: Sequence[tuple[str, str, str, float]], folder: Path) -> AttemptTable:
    lines = ["location,direction,ap_config,throughput_mbps", *(",".join(map(str, row)) for row in rows)]
    file = folder / "typed.csv"
    file.write_text("\n".join(lines), encoding="utf-8")
    return read_data_file(file)


def case_11(folder: Path, shuffle: random.Random | None = None) -> AttemptTable:
    rows = [
        (location, direction, name, float(value))
        for (location, direction), (a, b, _, _) in CASE_11.items()
        for name, values in (("auto", a), ("wide80", b))
        for value in values.split()
    ]
    if shuffle is not None:
        shuffle.shuffle(rows)
    return typed(rows, folder)


def row(turn: int, ap_config: str, throughput_mbps: float | None, **changes: Any) -> dict[str, Any]:
    """Return a row of the tidy table: one download of a turn."""
    return {
        "test_id": f"{changes.get('visit_id', 'v1')}-{turn}-{changes.get('attempt', 1)}",
        "visit_id": "v1", "turn": turn, "attempt": 1, "order_index": turn, "location": "basement", "leg": "lan",
        "engine": "http", "direction": "download", "ap_config": ap_config, "status": "ok", "reason": "", "flags": "",
        "counted": True, "throughput_mbps": throughput_mbps, "seed": 7, "quad": (turn + 3) // 4,
        "started_at": f"2026-03-02T09:{turn:02d}:00+00:00", "link_source": "none", "simulated": "", "firmware": "7.0",
        "association": "fresh", **changes,
    }  # fmt: skip


def table_of(rows: Sequence[dict[str, Any]]) -> AttemptTable:
    frame = pd.DataFrame(rows)
    for column in ("throughput_mbps", "turn", "order_index", "seed", "quad"):
        frame[column] = pd.to_numeric(frame[column]).astype("float64")
    return AttemptTable(as_texts(frame), "the test")


def visit_in_order(order: str, levels: tuple[float, float] = (400.0, 480.0), **changes: Any) -> list[dict[str, Any]]:
    """Return one download a turn in the order of the letters, with a steady spread of 1 %."""
    letters = order.replace(" ", "")
    return [
        row(turn, "auto" if letter == "A" else "wide80", levels[letter == "B"] * (1 + 0.01 * (turn % 3 - 1)), **changes)
        for turn, letter in enumerate(letters, start=1)
    ]


def only(result: CampaignResult) -> Any:
    (pair,) = result.pairs
    return pair


def test_the_worked_campaign_comes_out_as_printed(tmp_path: Path) -> None:
    """Case 11 of the method, from a file typed by hand; with Holm over six, in whatever order the rows stand."""
    for shuffle in (None, random.Random(3)):
        result = compare(case_11(tmp_path, shuffle), QUESTION)
        assert len(result.pairs) == result.rules.family_size == 6
        for pair in result.pairs:
            assert pair.location is not None
            _, _, verdict, ratio = CASE_11[pair.location, str(pair.direction)]
            assert pair.verdict.verdict.value == verdict
            assert pair.verdict.interval is not None
            assert pair.verdict.interval.ratio == pytest.approx(ratio, abs=5e-5)
        assert any("each row is taken to be one turn" in note for note in result.notes)


def test_bonferroni_and_a_larger_family_ask_for_more(tmp_path: Path) -> None:
    """Case 11: with Bonferroni (0.05/6 = 0.0083) neither mid download (0.0119) nor mid upload (0.0086) is decided."""
    from dataclasses import replace

    from sitetest.stats.rules import Correction

    for question in (
        replace(QUESTION, correction=Correction.BONFERRONI),
        replace(QUESTION, family_size=12),
    ):
        result = compare(case_11(tmp_path), question)
        open_pairs = {
            (p.location, p.direction) for p in result.pairs if p.verdict.verdict is Verdict.NOT_ENOUGH_EVIDENCE
        }
        assert open_pairs >= {("mid", "download"), ("mid", "upload")}
    with pytest.raises(UsageError, match="--family 5 is smaller than the 6"):
        compare(case_11(tmp_path), replace(QUESTION, family_size=5))


def test_a_measured_campaign_in_quads_gets_a_verdict_with_its_order_and_seed() -> None:
    pair = only(compare(table_of(visit_in_order(QUADS)), QUESTION))
    assert pair.verdict.verdict is Verdict.B_FASTER
    assert (pair.interleaved, pair.order, pair.seeds) == (True, QUADS, ("7",))
    assert pair.began < pair.ended
    assert pair.plan is None


@pytest.mark.parametrize("order", ["AAAA BBBB", "AAAAAAAAAA BBBBBBBBBB", "BBBBBB AAAAAA", "AAAA BBBB AAAA BBBB"])
def test_all_a_then_all_b_is_described_and_never_judged(order: str) -> None:
    """However clear the difference and however many the values."""
    result = compare(table_of(visit_in_order(order, (100.0, 900.0))), QUESTION)
    pair = only(result)
    stretches = len(order.split()) // 2
    assert pair.verdict.verdict is Verdict.NOT_ENOUGH_EVIDENCE
    assert pair.described_only
    assert (pair.verdict.a.valid, pair.verdict.b.valid) == (stretches, stretches)
    assert pair.verdict.interval is None
    assert pair.apparent_ratio == pytest.approx(9, rel=0.02)
    assert len(pair.values_a) == order.count("A")
    assert pair.plan is not None
    assert pair.plan.turns == 4
    document = comparison_document(result)["comparisons"][0]
    assert document["reason"] == "not_interleaved"
    assert document["ratio_low"] is document["p_difference"] is None


@pytest.mark.parametrize("order", ["AB", "ABBA"])
def test_one_or_two_turns_are_described_only(order: str) -> None:
    pair = only(compare(table_of(visit_in_order(order, (100.0, 900.0))), QUESTION))
    assert pair.described_only
    assert pair.verdict.interval is None
    assert pair.apparent_ratio == pytest.approx(9, rel=0.02)


def test_a_turn_that_no_fresh_association_began_is_not_a_turn_of_its_own() -> None:
    """The BB of A B B A are two turns only if the laptop associates in between: A BB AA BB AA BB A has 4 and 3."""
    rows = visit_in_order("ABBA ABBA ABBA", association="not_possible")
    pair = only(compare(table_of(rows), QUESTION))
    assert (pair.verdict.a.valid, pair.verdict.b.valid) == (4, 3)
    assert only(compare(table_of(visit_in_order("ABBA ABBA ABBA")), QUESTION)).verdict.a.turns >= 4


def test_failed_attempts_count_and_invalid_ones_are_named() -> None:
    rows = visit_in_order(QUADS)
    rows[0] |= {"status": "failed", "reason": "timeout: no byte", "throughput_mbps": None, "counted": False}
    rows[3] |= {"counted": False, "flags": "roamed"}
    rows[4] |= {"status": "interrupted", "reason": "agent_ended: the agent ended", "throughput_mbps": None}
    pair = only(compare(table_of(rows), QUESTION))
    assert pair.verdict.a.failed == 1
    assert dict(pair.verdict.a.invalid_reasons) == {"roamed": 1}
    assert dict(pair.verdict.b.invalid_reasons) == {"agent_ended": 1}


def test_more_invalid_attempts_never_make_a_verdict() -> None:
    """Adding attempts that did not measure the case can only take a verdict away."""
    rows = visit_in_order("ABBA BAAB ABBA BAAB ABBA", (400.0, 404.0))
    base = only(compare(table_of(rows), QUESTION)).verdict.verdict
    spoilt = [dict(one, attempt=2, test_id=f"again-{n}", status="invalid", reason="roamed", counted=False)
              for n, one in enumerate(rows)]  # fmt: skip
    for share in (1, 4, 10, 20):
        now = only(compare(table_of([*rows, *spoilt[:share]]), QUESTION)).verdict.verdict
        assert now in (base, Verdict.NOT_ENOUGH_EVIDENCE)
    assert base is Verdict.NO_PRACTICAL_DIFFERENCE
    assert now is Verdict.NOT_ENOUGH_EVIDENCE


def test_only_a_ceiling_of_the_wire_hides_the_air() -> None:
    """Two equal configs at 95 % of a ceiling: of the wire, equality may not be said; of another part, it may. A file
    that does not say what set the ceiling means the wire, as a typed one does."""
    rows = visit_in_order(QUADS, (900.0, 900.0), ceiling_mbps=910.0)
    for by in ("wire", "", None):
        told = [{**one, "ceiling_by": by} if by is not None else one for one in rows]
        pair = only(compare(table_of(told), QUESTION))
        assert (pair.ceiling_mbps, pair.verdict.verdict) == (910.0, Verdict.NOT_ENOUGH_EVIDENCE)
    pair = only(compare(table_of([{**one, "ceiling_by": "window"} for one in rows]), QUESTION))
    assert (pair.ceiling_mbps, pair.verdict.verdict) == (None, Verdict.NO_PRACTICAL_DIFFERENCE)


def test_the_order_of_the_rows_does_not_matter() -> None:
    rows = visit_in_order(QUADS)
    shuffled = rows[:]
    random.Random(5).shuffle(shuffled)
    one, other = (comparison_document(compare(table_of(each), QUESTION)) for each in (rows, shuffled))
    assert one == other


def test_swapping_a_and_b_mirrors_the_answer() -> None:
    table = table_of(visit_in_order(QUADS))
    one = only(compare(table, QUESTION))
    other = only(compare(table, Question("ap_config", ("wide80", "auto"))))
    assert (one.verdict.verdict, other.verdict.verdict) == (Verdict.B_FASTER, Verdict.A_FASTER)
    assert one.verdict.interval.ratio == pytest.approx(1 / other.verdict.interval.ratio)


def test_several_attempts_of_a_turn_are_one_turn() -> None:
    """n counts turns: pandas' grouping gives what the statistics' own way from attempts to turns gives."""
    rows = visit_in_order("ABBA BAAB")
    doubled = [*rows, *(dict(one, test_id=f"second-{n}", attempt=2, throughput_mbps=one["throughput_mbps"] * 1.5)
                        for n, one in enumerate(rows))]  # fmt: skip
    pair = only(compare(table_of(doubled), QUESTION))
    assert (pair.verdict.a.valid, pair.verdict.b.valid) == (4, 4)
    (turns,) = turns_of(table_of(doubled), "ap_config").values()
    own = case_from_attempts(TurnAttempt(int(one["turn"]), Outcome.VALID, one["throughput_mbps"]) for one in doubled)
    assert turns.log_mbps.tolist() == pytest.approx(own.logs, abs=1e-12)
    assert pair.values_a[0] == pytest.approx(exp((log(396) + log(396 * 1.5)) / 2), rel=0.02)


def test_simulated_attempts_are_marked_and_never_mixed_with_real_ones() -> None:
    made_up = visit_in_order(QUADS, simulated="simulated link", link_source="simulated")
    assert compare(table_of(made_up), QUESTION).simulated == "simulated link"
    assert compare(table_of(visit_in_order(QUADS)), QUESTION).simulated is None
    real = [dict(one, visit_id="v2", test_id=f"r{n}") for n, one in enumerate(visit_in_order("ABBA"))]
    with pytest.raises(UsageError, match="20 of 24 attempts are simulated"):
        compare(table_of([*made_up, *real]), QUESTION)
    chosen = Question("ap_config", ("auto", "wide80"), where={"link_source": "simulated"})
    assert compare(table_of([*made_up, *real]), chosen).simulated == "simulated link"


def test_attempts_under_other_conditions_are_not_pooled_silently() -> None:
    rows = visit_in_order(QUADS)
    for one in rows[8:]:
        one["firmware"] = "7.1"
    with pytest.raises(UsageError, match=r'differ in firmware: "7\.0", "7\.1"'):
        compare(table_of(rows), QUESTION)
    pooled = Question("ap_config", ("auto", "wide80"), pooled=("firmware",))
    assert len(only(compare(table_of(rows), pooled)).values_a) == 10
    chosen = Question("ap_config", ("auto", "wide80"), where={"firmware": "7.1"})
    assert len(only(compare(table_of(rows), chosen)).values_a) == 6


def test_a_condition_that_differs_between_the_two_is_named() -> None:
    rows = visit_in_order(QUADS)
    for one in rows:
        one["firmware"] = "7.0" if one["ap_config"] == "auto" else "7.1"
    assert only(compare(table_of(rows), QUESTION)).also_differs == ("firmware: 7.0 against 7.1",)


OBSERVED: dict[str, tuple[Any, Any]] = {
    "band": ("5", "2.4"), "width_mhz": (80, 40), "phy": ("HE", "VHT"), "bssid_label": ("ap-1", "ap-2"),
    "interface_kind": ("wifi", "ethernet"), "power_save": (False, True), "plugged": (True, False),
    "server_link_mbps": (2500, 1000), "congestion_control": ("cubic", "reno"), "engine_version": ("3.12", "3.16"),
    "link_source": ("live", "recorded"), "visit_kind": ("run", "soak"),
}  # fmt: skip
"""Identity of a run: the comparison rule in the design's notes on link state, section 6. Two values of each."""


def test_the_table_above_has_every_column_that_may_be_not_known() -> None:
    assert set(OBSERVED) == {field.name for field in ATTEMPT_FIELDS if field.not_known is not None}


@pytest.mark.parametrize("column", OBSERVED)
def test_what_could_not_be_read_once_does_not_split_a_pool(column: str) -> None:
    """An observer that failed, or a table of a version that had none, is no other condition."""
    value, other = OBSERVED[column]
    not_known = {field.name: field.not_known for field in ATTEMPT_FIELDS}[column] or None
    rows = visit_in_order(QUADS)
    for one in rows:
        one[column] = value
    for one in rows[2:12]:
        one[column] = not_known
    pair = only(compare(table_of(rows), QUESTION))
    assert (len(pair.values_a), pair.also_differs) == (10, ())
    rows[0][column] = other
    with pytest.raises(UsageError, match=f"differ in {column}: "):
        compare(table_of(rows), QUESTION)
    for one in rows:
        one[column] = value if one["ap_config"] == "auto" else other
    rows[5][column] = not_known
    (told,) = only(compare(table_of(rows), QUESTION)).also_differs
    assert told.startswith(f"{column}: ")
    assert "nan" not in told
    assert "not stated" not in told


def test_a_condition_that_nobody_stated_on_one_side_is_no_difference_when_it_is_observed() -> None:
    """A declared one is: firmware that the site file does not state may be any."""
    rows = visit_in_order(QUADS)
    for one in rows:
        one["plugged"] = True if one["ap_config"] == "auto" else None
        one["firmware"] = "7.0" if one["ap_config"] == "auto" else ""
    assert only(compare(table_of(rows), QUESTION)).also_differs == ("firmware: 7.0 against not stated",)


def test_any_tag_can_be_compared_and_numbers_are_named_as_people_write_them() -> None:
    rows = visit_in_order(QUADS)
    for one in rows:
        one["channel"] = 36.0 if one["ap_config"] == "auto" else 149.0
        one["ap_config"] = "auto"
    pair = only(compare(table_of(rows), Question("channel", ("36", "149"))))
    assert pair.verdict.verdict is Verdict.B_FASTER


@pytest.mark.parametrize(
    ("question", "told"),
    [
        (Question("ap_confg", ("auto", "wide80")), 'Did you mean "ap_config"'),
        (Question("ap_config", ("auto", "wide8")), 'Did you mean "wide80"'),
        (Question("throughput_mbps", ("400", "480")), "no column"),
        (Question("turn", ("1", "2")), "no column"),
        (Question("ap_config", ("auto", "wide80"), where={"firmware": "9"}), "no attempt with firmware"),
    ],
)
def test_a_question_that_does_not_fit_is_refused_with_what_there_is(question: Question, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        compare(table_of(visit_in_order(QUADS)), question)


def test_what_was_planned_at_a_place_and_lacks_one_side_has_no_verdict() -> None:
    rows = visit_in_order(QUADS)
    rows += [
        dict(one, location="attic", visit_id="v2", test_id=f"x{n}")
        for n, one in enumerate(rows)
        if one["ap_config"] == "auto"
    ]
    result = compare(table_of(rows), QUESTION)
    assert result.rules.family_size == 2
    attic = next(pair for pair in result.pairs if pair.location == "attic")
    assert attic.verdict.verdict is Verdict.NOT_ENOUGH_EVIDENCE
    assert attic.apparent_ratio is None
