"""What compare, gate, check, plan and export make of a site in which a soak was kept, beside a run or alone."""

import json
from dataclasses import replace
from math import exp, log
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from bookshop_visit import attempt, bookshop_plan
from site_folder import site_folder
from soak_in_turns import compared_soak_plan, keep_run, keep_soak
from store_records import SOAK_ID, a_visit

from sitetest.cli.earlier_results import earlier_finding
from sitetest.cli.main import main
from sitetest.cli.session_results import next_lines as run_lines
from sitetest.cli.soak_results import next_lines
from sitetest.cli.soak_session import SoakSession
from sitetest.cli.visit_session import Session
from sitetest.errors import Exit
from sitetest.store.reading import StoreReader, store_path
from sitetest.visit.conductor import COMPLETE, INTERRUPTED

Captured = pytest.CaptureFixture[str]


def compared(capsys: Captured, site: Path, *options: str, names: tuple[str, str] = ("auto", "wide80")) -> Any:
    capsys.readouterr()
    assert main(["compare", *names, "--site", str(site), "--json", *options]) == Exit.DONE
    return json.loads(capsys.readouterr().out)


def refused(capsys: Captured, *arguments: str) -> str:
    capsys.readouterr()
    assert main(list(arguments)) == Exit.WRONG_USE
    return " ".join(capsys.readouterr().err.split())


def turn_means(site: Path, ap_config: str) -> list[float]:
    """Return the geometric mean of each turn's tests, from the records alone."""
    with StoreReader.read_only(store_path(site)) as store:
        attempts = [one for one in store.attempts(SOAK_ID) if one.ap_config == ap_config and one.throughput_mbps]
    turns: dict[int, list[float]] = {}
    for one in attempts:
        turns.setdefault(one.turn, []).append(log(one.throughput_mbps or 0.0))
    return [exp(sum(logs) / len(logs)) for _, logs in sorted(turns.items())]


def test_the_turns_of_a_soak_are_compared_in_one_look_with_all_of_alpha(tmp_path: Path, capsys: Captured) -> None:
    """However many tests a turn has; p and interval by scipy's Welch test on the turns' means."""
    from scipy.stats import ttest_ind

    site = keep_soak(tmp_path)
    answer = compared(capsys, site)
    (pair,) = answer["comparisons"]
    a, b = ([log(value) for value in turn_means(site, name)] for name in ("auto", "wide80"))
    scipy_p = ttest_ind(a, b, equal_var=False)
    assert (answer["looks"], answer["look_weights"], answer["planned"]["looks"]) == ([], [1.0], [])
    assert (pair["verdict"], pair["interleaved"], pair["order"]) == ("b_faster", True, "ABBA BAAB")
    assert (pair["n_a"], pair["n_b"], pair["side_a"]["attempts"], pair["side_b"]["attempts"]) == (4, 4, 18, 18)
    assert pair["side_a"]["values_mbps"] == pytest.approx([exp(value) for value in a])
    assert pair["p_difference"] == pytest.approx(scipy_p.pvalue, rel=1e-6)
    interval = scipy_p.confidence_interval(0.95)
    assert (pair["ratio_low"], pair["ratio_high"]) == pytest.approx((exp(-interval.high), exp(-interval.low)))
    assert (pair["look_weight"], pair["campaign_interval"]["level"]) == (1.0, pytest.approx(0.95))
    assert answer["notes"] == []


def test_more_turns_than_a_run_ever_takes_all_enter(tmp_path: Path, capsys: Captured) -> None:
    (pair,) = compared(capsys, keep_soak(tmp_path, "ABBABAAB" * 3 + "A", tests=(1, 2)))["comparisons"]
    assert (pair["n_a"], pair["n_b"], pair["look_turns"]) == (13, 12, None)


def test_a_failed_test_now_and_then_does_not_forbid_a_verdict_and_is_told(tmp_path: Path, capsys: Captured) -> None:
    """One of twelve tests in two of its four turns: the winner did not deliver in 4 of 100 tests, not in half."""
    site = keep_soak(tmp_path, tests=(12,), failed=[(2, 4), (5, 9)])
    (pair,) = compared(capsys, site)["comparisons"]
    assert pair["verdict"] == "b_faster"
    assert (pair["side_b"]["failed_turns"], pair["n_b"], pair["reliability"]["failed_b"]) == (2, 4, 2)
    assert main(["compare", "auto", "wide80", "--site", str(site)]) == Exit.DONE
    assert "48 attempts, 0 invalid, 2 turns with a failed attempt" in " ".join(capsys.readouterr().out.split())


def test_the_faster_one_that_keeps_failing_in_its_turns_is_not_called_faster(tmp_path: Path, capsys: Captured) -> None:
    lost = [(turn, test) for turn in (2, 3, 5, 8) for test in (3, 8)]
    (pair,) = compared(capsys, keep_soak(tmp_path, tests=(12,), failed=lost))["comparisons"]
    assert (pair["verdict"], pair["reason"]) == ("not_enough_evidence", "failed_turns")


def test_a_soak_beside_a_run_is_never_pooled_silently_and_each_can_be_chosen(tmp_path: Path, capsys: Captured) -> None:
    """Even with tests of one length: a turn of a soak is the mean of many tests over half an hour."""
    site = keep_run(keep_soak(tmp_path), duration_s=10.0)
    told = refused(capsys, "compare", "auto", "wide80", "--site", str(site))
    assert 'differ in visit_kind: "run", "soak"' in told
    assert "Choose with --where visit_kind=VALUE" in told
    told = refused(capsys, "gate", "auto", "wide80", "--factor", "ap_config", "--site", str(site))
    assert 'differ in visit_kind: "run", "soak"' in told

    soak = compared(capsys, site, "--where", "visit_kind=soak")
    run = compared(capsys, site, "--where", "visit_kind=run")
    assert (soak["looks"], soak["comparisons"][0]["n_a"], soak["comparisons"][0]["verdict"]) == ([], 4, "b_faster")
    assert (run["looks"], run["comparisons"][0]["look_turns"], run["comparisons"][0]["verdict"]) == (
        [4, 6, 8, 10], 4, "b_faster",
    )  # fmt: skip
    (by_id,) = compared(capsys, site, "--where", f"visit_id={SOAK_ID}")["comparisons"]
    assert by_id == soak["comparisons"][0]


def test_a_soak_and_a_run_thrown_together_on_purpose_have_no_common_plan(tmp_path: Path, capsys: Captured) -> None:
    """The run of this site kept no plan of a comparison, and the soak's one look is not the run's."""
    site = keep_run(keep_soak(tmp_path))
    pooled = ["--pool", "visit_kind", "--pool", "duration_s", "--pool", "warm_up_s"]
    answer = compared(capsys, site, *pooled)
    assert answer["planned"]["looks"] == []
    assert answer["comparisons"][0]["n_a"] == 10


def test_the_exported_table_of_a_soak_gives_the_same_answer_as_its_store(tmp_path: Path, capsys: Captured) -> None:
    """The table does not have the plan; that it is a soak is enough for one look."""
    site = keep_soak(tmp_path, "ABBABAAB" * 2)
    from_store = compared(capsys, site)
    from_table = compared(capsys, site, "--data", str(site / "results" / "results.csv"))
    assert from_table["looks"] == []
    assert from_table["comparisons"] == from_store["comparisons"]


@pytest.mark.parametrize(("outcome", "said"), [(None, True), ("interrupted", True), ("complete", False)])
def test_a_look_before_the_end_is_said_to_be_one(
    tmp_path: Path, capsys: Captured, outcome: str | None, said: bool
) -> None:
    notes = compared(capsys, keep_soak(tmp_path, outcome=outcome))["notes"]
    assert any(f"The soak {SOAK_ID} has not come to the planned end" in note for note in notes) is said


def test_two_nights_are_judged_together_and_that_is_said(tmp_path: Path, capsys: Captured) -> None:
    site = keep_soak(keep_soak(tmp_path), visit_id="soak-2", seed=4)
    answer = compared(capsys, site)
    assert answer["comparisons"][0]["n_a"] == 8
    assert any("2 soaks are judged together" in note and "--where visit_id=soak-2" in note for note in answer["notes"])
    alone = compared(capsys, site, "--where", "visit_id=soak-2")
    assert (alone["comparisons"][0]["n_a"], alone["notes"]) == (4, [])


def test_the_gate_takes_the_turns_of_a_soak(tmp_path: Path, capsys: Captured) -> None:
    site = keep_soak(tmp_path, "ABBABAAB" * 2, failed=[(2, 1)])
    assert main(["gate", "auto", "wide80", "--factor", "ap_config", "--site", str(site), "--json"]) == Exit.DONE
    answer = json.loads(capsys.readouterr().out)
    (case,) = answer["cases"]
    assert (answer["answer"], answer["looks"], case["n_old"], case["n_new"]) == ("pass", [], 8, 8)


PROFILE = """\
format = 1
location = "basement"
[matrix]
engines = ["http"]
directions = ["download"]
ap_configs = ["auto", "wide80"]
"""


def test_a_run_is_not_planned_by_the_spread_of_a_soaks_turns(tmp_path: Path, capsys: Captured) -> None:
    """They are means of many tests; what the tests moved is seen all the same."""
    site = site_folder(keep_soak(tmp_path), basement=PROFILE)
    plan = ["plan", "--profile", "basement", "--site", str(site), "--json"]
    assert main(plan) == Exit.DONE
    planned = json.loads(capsys.readouterr().out)
    assert planned["outlook"]["seen"] is False
    seen_mbps = sum(median(turn_means(site, name)) for name in ("auto", "wide80"))
    assert planned["estimate"]["lan_bytes"] == pytest.approx(10 * (3 + 30) * seen_mbps * 1e6 / 8, rel=0.05)
    keep_run(site)
    assert main(plan) == Exit.DONE
    assert json.loads(capsys.readouterr().out)["outlook"]["seen"] is True


def test_a_soak_that_was_left_is_no_run_to_go_on_with(tmp_path: Path) -> None:
    found = earlier_finding(keep_soak(tmp_path, outcome="interrupted"))
    assert found.ok
    assert "sitetest run" not in found.detail + found.next_step


def test_a_soak_ends_with_the_command_for_its_one_look_and_not_before(tmp_path: Path, capsys: Captured) -> None:
    site = keep_soak(tmp_path)
    with StoreReader.read_only(store_path(site)) as store:
        visit = store.visit(SOAK_ID)
    over = SoakSession(visit, compared_soak_plan(), COMPLETE, rounds=36, tests=36, without_result=())
    lines = next_lines(over, site)
    (command,) = [line.split() for line in lines if line.startswith("  sitetest compare ")]
    assert main([*command[1:], "--json"]) == Exit.DONE
    assert json.loads(capsys.readouterr().out)["comparisons"][0]["verdict"] == "b_faster"
    for other in (replace(over, outcome=INTERRUPTED), replace(over, plan=replace(over.plan, comparison=None))):
        assert not [line for line in next_lines(other, site) if "sitetest compare" in line]


def test_a_run_at_a_site_with_soaks_names_a_command_that_is_not_refused(tmp_path: Path) -> None:
    plan = bookshop_plan()
    run = Session(a_visit(), plan, COMPLETE, 0, 0, tuple(attempt(slot) for slot in plan.slots))
    for site, where in ((keep_run(tmp_path / "runs"), ""), (keep_soak(tmp_path / "both"), " --where visit_kind=run")):
        command = f"  sitetest compare --factor ap_config auto wide80{where} --site {site}"
        assert command in run_lines(run, site, "run")


def test_export_says_of_every_attempt_that_a_soak_made_it(tmp_path: Path, capsys: Captured) -> None:
    site = keep_soak(tmp_path / "site", outcome="interrupted")
    assert main(["export", "--site", str(site)]) == Exit.DONE
    table = (site / "export" / "attempts.csv").read_text(encoding="utf-8").splitlines()
    assert table[0].split(",")[-1] == "visit_kind"
    assert {line.split(",")[-1] for line in table[1:]} == {"soak"}
    capsys.readouterr()
