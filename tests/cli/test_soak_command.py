"""``sitetest soak`` and what ``sitetest plan`` says of one, as a script sees them, as far as no server is needed."""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from loopback_site import loopback_site
from soak_happenings import EVENING, MORNING, a_soak_plan

from sitetest.cli.main import main
from sitetest.cli.soak_results import exit_code, next_lines, soak_document
from sitetest.cli.soak_session import SoakSession
from sitetest.errors import Exit
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.report.local_time import day_and_time
from sitetest.store.database import Store
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import VisitKind, VisitRecord

ABSENT = "127.0.0.1:9"
"""The discard port (RFC 863): nothing listens there."""

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return loopback_site(tmp_path / "shop", ABSENT)


@pytest.fixture
def two_ap_configs(tmp_path: Path) -> Path:
    return loopback_site(tmp_path / "shop", ABSENT, ap_configs=("auto", "wide80"))


def told(arguments: list[str], site: Path, capsys: Captured, code: Exit = Exit.WRONG_USE) -> str:
    assert main([*arguments, "-p", "basement", "--site", str(site)]) == code
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return " ".join((captured.out + captured.err).split())


# --- plan -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [["--for", "9h"], ["--rounds", "270"]])
def test_plan_shows_length_tests_volume_what_can_be_judged_and_the_cautions(
    end: list[str], site: Path, capsys: Captured
) -> None:
    out = told(["plan", *end, "--seed", "7"], site, capsys, Exit.DONE)
    for fact in (
        "9 h 00 min",
        "270 rounds, 540 tests",
        "a round every 120 s: download, upload",
        "2 s of warm-up and 10 s that count, 2 streams, http",
        "AP config auto all along",
        "about 810.00 GB on the local network, if the path carries 1000 Mbit/s; tests stop at 1000.00 GB",
        "steps and drift of the level can be judged: that takes 96 tests of each case over 4 h, this has about 270",
        "--seed 7",
        "owner's consent",
    ):
        assert fact in out


def test_plan_says_what_will_be_missing(two_ap_configs: Path, capsys: Captured) -> None:
    out = told(["plan", "--for", "1h"], two_ap_configs, capsys, Exit.DONE)
    assert "steps and drift of the level cannot be judged" in out
    assert "AP configs cannot be compared: that takes 3 turns of each, this has about 1" in out
    assert "this cannot be soaked yet: no apply command in site.toml for auto, wide80" in out


def test_plan_says_when_the_cap_will_stop_the_tests(site: Path, capsys: Captured) -> None:
    with (site / "profiles" / "basement.toml").open("a") as profile:
        profile.write("[soak]\ndata_gb = 90\n")
    assert "that cap will be reached after about 1 h 00 min" in told(["plan", "--for", "9h"], site, capsys, Exit.DONE)


def test_plan_of_a_soak_is_one_json_document(two_ap_configs: Path, capsys: Captured) -> None:
    command = ["plan", "-p", "basement", "--site", str(two_ap_configs), "--for", "9h", "--seed", "7", "--json"]
    assert main(command) == Exit.DONE
    found = json.loads(capsys.readouterr().out)
    assert (found["format"], found["command"], found["soak"], found["seed"]) == (1, "plan", True, 7)
    assert [turn["turn"] for turn in found["turns"]] == list(range(1, 19))
    assert found["estimate"]["rounds"] == 252
    assert found["estimate"]["ap_configs_can_be_compared"] is True
    assert found["comparison"]["looks"] == []
    assert found["without_apply_command"] == ["auto", "wide80"]


def test_plan_takes_a_soak_or_a_run(site: Path, capsys: Captured) -> None:
    assert "--give-up-early is for a run" in told(["plan", "--for", "9h", "--give-up-early"], site, capsys)
    assert "4 measurements in 2 turns" in told(["plan"], site, capsys, Exit.DONE)


# --- refused before anything starts ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ([], "A soak needs to know when it ends"),
        (["--for", "9h", "--until", "07:30"], "A soak has one end"),
        (["--for", "9"], '--for: found "9": 9 of what?'),
        (["--until", "7.30"], '--until: found "7.30"'),
        (["--rounds", "0"], "--rounds: found 0"),
        (["--for", "20s"], "No round fits into 20 s: one takes about 29 s."),
        (["--for", "9h", "--engine", "pigeon"], 'there is no engine "pigeon"'),
        (
            ["--for", "9h", "--status", "no/such/folder/status.json"],
            "The status file no/such/folder/status.json cannot",
        ),
        (["--resume"], "There are no results yet"),
    ],
    ids=lambda value: str(value)[:24],
)
def test_what_cannot_be_meant_is_exit_2(options: list[str], says: str, site: Path, capsys: Captured) -> None:
    assert says in told(["soak", "--yes", *options], site, capsys)
    assert not store_path(site).exists()


def test_switching_by_hand_is_refused_with_the_two_ways_out(two_ap_configs: Path, capsys: Captured) -> None:
    said = told(["soak", "--for", "9h", "--yes"], two_ap_configs, capsys)
    assert "Nobody sits beside a soak to switch AP configs" in said
    assert "no apply command for: auto, wide80" in said
    assert "Give each an apply command in site.toml, or soak one of them as it is: --ap-config auto" in said
    assert not store_path(two_ap_configs).exists()


def test_a_server_that_is_away_at_the_start_is_exit_6_and_keeps_nothing(two_ap_configs: Path, capsys: Captured) -> None:
    said = told(["soak", "--for", "9h", "--yes", "--ap-config", "auto"], two_ap_configs, capsys, Exit.SERVER)
    assert ABSENT in said
    with StoreReader.read_only(store_path(two_ap_configs)) as store:
        assert store.visits() == []


# --- going on -------------------------------------------------------------------------------------------------------


@pytest.fixture
def soaked_site(site: Path) -> Path:
    """A site with a soak whose time is over."""
    plan = a_soak_plan(ap_configs=("auto",))
    visit = VisitRecord(
        "night", plan.site, "basement", "basement", EVENING, soak_plan_to_json(plan), 7, "laptop", "0.1",
        kind=VisitKind.SOAK,
    )  # fmt: skip
    with Store.open(store_path(site), create=True, now=lambda: EVENING) as store:
        store.begin_visit(visit)
        store.end_visit("night", MORNING, "interrupted")
    return site


def test_a_soak_whose_time_is_over_says_so_and_how_to_go_on_all_the_same(soaked_site: Path, capsys: Captured) -> None:
    said = told(["soak", "--resume", "--yes"], soaked_site, capsys, Exit.INCOMPLETE)
    assert f"was over at {day_and_time(MORNING)}. There is nothing to go on with." in said
    assert f"sitetest soak --profile basement --resume --site {soaked_site} --for 2h" in said


@pytest.mark.parametrize("option", ["--seed 4", "--engine http", "--ap-config auto", "--rounds 5"])
def test_a_soak_goes_on_with_its_own_plan(option: str, soaked_site: Path, capsys: Captured) -> None:
    said = told(["soak", "--resume", "--yes", *option.split()], soaked_site, capsys)
    assert f"{option.split(maxsplit=1)[0]} cannot be given together with --resume: the soak goes on" in said


def test_a_soak_with_another_end_goes_on(soaked_site: Path, capsys: Captured) -> None:
    """As far as the server, which is away."""
    told(["soak", "--resume", "--for", "2h", "--yes"], soaked_site, capsys, Exit.SERVER)


# --- afterwards -----------------------------------------------------------------------------------------------------


def test_a_summary_says_what_is_kept_and_starts_nothing(soaked_site: Path, capsys: Captured) -> None:
    said = told(["soak", "--summary"], soaked_site, capsys, Exit.DONE)
    assert "basement - quay-street-bookshop" in said
    assert "Nothing is known about the path between the tests" in said
    assert main(["soak", "--summary", "--site", str(soaked_site), "--json"]) == Exit.DONE
    found = json.loads(capsys.readouterr().out)
    assert (found["command"], [night["visit_id"] for night in found["nights"]]) == ("soak", ["night"])


def test_a_chart_goes_with_a_summary(soaked_site: Path, tmp_path: Path, capsys: Captured) -> None:
    chart = tmp_path / "night.svg"
    said = told(["soak", "--summary", "--chart", str(chart)], soaked_site, capsys, Exit.DONE)
    assert chart.read_text(encoding="utf-8").startswith("<?xml")
    assert f"{chart}: Night at basement" in said
    assert "allowed: .svg, .png" in told(["soak", "--summary", "--chart", "night.gif"], soaked_site, capsys)
    assert "--chart draws a night that is over" in told(["soak", "--chart", str(chart)], soaked_site, capsys)


def test_a_summary_of_nothing_is_told(soaked_site: Path, capsys: Captured) -> None:
    assert main(["soak", "--summary", "-p", "counter", "--site", str(soaked_site)]) == Exit.WRONG_USE
    assert "No soak of the profile 'counter' has been kept here yet." in capsys.readouterr().err


def test_a_soak_needs_a_profile(site: Path, capsys: Captured) -> None:
    assert main(["soak", "--for", "9h", "--site", str(site)]) == Exit.WRONG_USE
    assert "--profile is missing" in capsys.readouterr().err


# --- the end --------------------------------------------------------------------------------------------------------


def session(outcome: str = "complete", *, valued: bool = True) -> SoakSession:
    plan = a_soak_plan(ap_configs=("auto",))
    visit = VisitRecord("night", plan.site, "basement", "overnight", EVENING, "", 7, "laptop", "0.1")
    return SoakSession(visit, plan, outcome, rounds=30, tests=60, without_result=() if valued else plan.cases[:1])


@pytest.mark.parametrize(
    ("outcome", "valued", "code"),
    [
        ("complete", True, Exit.DONE),
        ("complete", False, Exit.INCOMPLETE),
        ("interrupted", True, Exit.INTERRUPTED),
        ("interrupted", False, Exit.INTERRUPTED),
        ("store_full", True, Exit.INCOMPLETE),
    ],
)
def test_the_exit_code_says_how_it_ended(outcome: str, valued: bool, code: Exit) -> None:
    assert exit_code(session(outcome, valued=valued)) == code


def test_the_end_says_what_was_made_and_how_to_go_on() -> None:
    assert next_lines(session(), Path())[0] == "The wanted time is over: 30 rounds, 60 tests."
    assert next_lines(session("interrupted"), Path("shop"))[:2] == [
        f"Stopped after 30 rounds, 60 tests; all of it is kept. Go on until {day_and_time(MORNING)} with:",
        "  sitetest soak --profile overnight --resume --site shop",
    ]
    assert "Some cases have no valid result: auto download lan http." in next_lines(session(valued=False), Path())
    lost = replace(session(), lost_facts=7, table_problem="results.csv is open elsewhere")
    assert next_lines(lost, Path())[:2] == [
        "Note: results.csv is open elsewhere",
        "Note: 7 seconds and events found no room on the disk and are lost.",
    ]
    by_rounds = replace(session(), plan=replace(session().plan, until=None, rounds=30), nothing_left=True)
    assert next_lines(by_rounds, Path())[0].startswith("The last soak of overnight has had its 30 rounds.")


def test_the_document_says_the_same() -> None:
    found = soak_document(session(valued=False), Path("shop"))
    assert json.loads(json.dumps(found)) == found
    assert (found["outcome"], found["rounds"], found["tests"], found["until"]) == (
        "complete", 30, 60, (EVENING + timedelta(hours=9.5)).isoformat(),
    )  # fmt: skip
    assert found["without_result"] == [{"ap_config": "auto", "leg": "lan", "engine": "http", "direction": "download"}]
