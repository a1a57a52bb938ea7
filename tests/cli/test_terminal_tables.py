"""The tables at the end of a run and of the demonstration, rendered to text."""

import io
import re

import pytest
from bookshop_visit import attempt, bookshop_plan, failed, outlier
from rich.cells import cell_len
from rich.console import Console, RenderableType

from sitetest.report.advice import CODE_ADVICE, MADE_GOOD, STATUS_ADVICE, is_blemished, next_action
from sitetest.report.case_summary import case_summaries
from sitetest.report.terminal import comparison, visit_results
from sitetest.store.records import AttemptRecord, Flag, Status
from sitetest.visit.flag_table import ROWS, TABLE, Severity
from sitetest.visit.retry import OUTLIER
from sitetest.visit.validity import RULES

PLAN = bookshop_plan()
SITE = "quay-street-bookshop"


def text_of(renderable: RenderableType, width: int = 80) -> str:
    output = io.StringIO()
    Console(file=output, width=width, _environ={}).print(renderable)
    return output.getvalue()


def whole_visit(auto_mbps: float = 200.0, wide_mbps: float = 400.0) -> list[AttemptRecord]:
    return [attempt(slot, auto_mbps if slot.case.ap_config == "auto" else wide_mbps) for slot in PLAN.slots]


def row(text: str, start: str) -> list[str]:
    return next(line.split() for line in text.splitlines() if line.startswith(start))


def test_a_case_is_one_row_with_n_typical_value_and_spread() -> None:
    first, second = (slot for slot in PLAN.slots if slot.case == PLAN.cases[0])
    text = text_of(visit_results(SITE, [attempt(first, 90.0), attempt(second, 110.0)], None))
    # median of 90 and 110; CV of a lognormal with s = ln(110/90)/sqrt(2): 100*sqrt(exp(s^2)-1) = 14.26, by hand
    assert row(text, "auto download") == ["auto", "download", "2", "100.0", "14.3", "%"]


def test_failures_and_invalid_attempts_are_counted_beside_n_and_never_as_zero() -> None:
    first, second = (slot for slot in PLAN.slots if slot.case == PLAN.cases[0])
    records = [attempt(first, 100.0), failed(second), attempt(second, 55.0, status=Status.INVALID, reason="shared: x")]
    text = text_of(visit_results(SITE, records, None))
    assert row(text, "auto download") == ["auto", "download", "1", "100.0", "-"]
    assert "  1 failed, 1 invalid\n" in re.sub(" +\n", "\n", text)


def test_a_case_without_a_valid_value_shows_a_dash_not_zero() -> None:
    text = text_of(visit_results(SITE, [failed(PLAN.slots[0])], None))
    assert row(text, "auto download") == ["auto", "download", "0", "-", "-"]


def test_an_outlier_is_counted_and_shown_as_flagged() -> None:
    (summary,) = case_summaries([outlier(PLAN.slots[0], 40.0)])
    assert (summary.n, summary.flagged) == (1, 1)


def test_all_failures_and_flags_stand_again_at_the_end_each_with_a_next_step() -> None:
    records = whole_visit()
    records[1] = failed(PLAN.slots[1], "stalled: no byte arrived for 10 s")
    records[2] = outlier(PLAN.slots[2], 40.0)
    text = text_of(visit_results(SITE, records, None))
    end = text[text.index("2 attempts to look at again") :]
    assert "auto upload, turn 1, try 1: failed" in end
    assert "stalled: no byte arrived for 10 s" in end
    assert "wide80 download, turn 2, try 1: ok, 40.0 Mbit/s" in end
    assert end.count("Next: ") == 2


def test_what_was_measured_again_needs_nothing_more_and_what_was_not_does() -> None:
    slot, other = PLAN.slots[0], PLAN.slots[1]
    invalid = attempt(slot, None, status=Status.INVALID, reason="server_gone: it was restarted", test_id="first")
    missing = attempt(other, None, status=Status.INTERRUPTED, reason="stopped: by hand")
    text = text_of(visit_results(SITE, [invalid, attempt(slot), missing], None))
    steps = [line.strip() for line in text.splitlines() if "Next: " in line]
    assert steps == [f"Next: {MADE_GOOD}", f"Next: {STATUS_ADVICE[Status.INTERRUPTED]}"]


def test_a_clean_visit_says_that_nothing_failed() -> None:
    assert "No attempt failed or is in doubt." in text_of(visit_results(SITE, whole_visit(), None))


def test_nothing_measured_is_said_in_words() -> None:
    assert text_of(visit_results(SITE, [], None)).strip() == "Nothing was measured."


def test_simulated_results_are_marked() -> None:
    for table in (
        visit_results(SITE, whole_visit(), "paced"),
        comparison(SITE, whole_visit(), ["auto", "wide80"], "paced"),
    ):
        assert "simulated: paced" in text_of(table)
    assert "simulated" not in text_of(visit_results(SITE, whole_visit(), None))


def test_the_comparison_describes_a_difference_and_draws_no_verdict() -> None:
    text = text_of(comparison(SITE, whole_visit(), ["auto", "wide80"], None))
    assert text.count("wide80 less auto, typical values: +200.0 Mbit/s (+100.0 %)") == 2
    assert "no verdict is drawn" in text
    for word in ("better", "worse", "faster", "slower", "wins"):
        assert word not in text


def test_the_order_of_the_comparison_is_the_order_asked_for() -> None:
    text = text_of(comparison(SITE, whole_visit(), ["wide80", "auto"], None))
    assert "auto less wide80, typical values: -200.0 Mbit/s (-50.0 %)" in text


def test_no_difference_is_stated_against_nothing_measured() -> None:
    records = [failed(slot) if slot.case.ap_config == "wide80" else attempt(slot) for slot in PLAN.slots]
    text = text_of(comparison(SITE, records, ["auto", "wide80"], None))
    assert "less auto" not in text
    assert text.count("none to state") == 2


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("name", ["[kitchen]", "<script>", "مكتبة", "\x1b[31mred", "y" * 64], ids=range(5))
def test_tables_fit_the_screen_and_names_are_only_text(width: int, name: str) -> None:
    plan = bookshop_plan(location=name, ap_configs=(name, "wide80"))
    records = [attempt(plan.slots[0]), failed(plan.slots[1], name), outlier(plan.slots[2], 10.0)]
    for table in (visit_results(name, records, name), comparison(name, records, [name, "wide80"], None)):
        text = text_of(table, width)
        assert "\x1b" not in text
        assert max(cell_len(line) for line in text.splitlines()) <= width
        assert "412.3" in text
    if name.startswith("["):
        assert name in text_of(visit_results(name, records, None), width)


def test_every_rule_of_the_visit_leads_to_advice_that_names_a_step() -> None:
    """Advice is by code word: a rule that is renamed must not lose its advice silently."""
    words = {rule.code for rule in RULES} | {OUTLIER, "laptop_cpu", "server_cpu", "stall", "clock_step"}
    assert set(CODE_ADVICE) <= words | set(TABLE)
    assert {row.name for row in ROWS if row.severity is not Severity.NOTE} <= set(CODE_ADVICE)
    for rule in RULES:
        advice = next_action(attempt(PLAN.slots[0], None, status=rule.status, reason=f"{rule.code}: seen"))
        assert advice.endswith(".")
        assert advice == CODE_ADVICE.get(rule.code, STATUS_ADVICE[rule.status])


def test_notes_on_the_conditions_stand_once_with_their_count_and_a_next_step() -> None:
    """A list of all attempts of a visit on battery would hide what matters."""
    battery, simulated = Flag("on_battery", "the laptop ran on its battery", "note"), Flag("simulated", "paced", "note")
    records = [attempt(slot, flags=(simulated, battery)) for slot in PLAN.slots[:3]] + [attempt(PLAN.slots[3])]
    text = text_of(visit_results(SITE, records, None))
    assert "No attempt failed or is in doubt." in text
    assert text.count("on_battery on 3 of 4, the last: the laptop ran on its battery") == 1
    assert f"Next: {CODE_ADVICE['on_battery']}" in text
    assert "paced" not in text


def test_a_mere_note_is_not_brought_up_again() -> None:
    assert not is_blemished(attempt(PLAN.slots[0], flags=(Flag("simulated", "paced", "note"),)))
    doubted = attempt(PLAN.slots[0], flags=(Flag("anything", "seen", "doubt"),))
    assert is_blemished(doubted)
    assert next_action(doubted) == STATUS_ADVICE[Status.OK]
