"""Every command as a script sees it: exit codes, what goes to stdout and what to stderr, one JSON document."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from bookshop_visit import attempt, bookshop_plan
from loopback_site import loopback_site

from sitetest.cli import planned_visit
from sitetest.cli.main import main
from sitetest.errors import Exit, SitetestError
from sitetest.plan.plan_json import plan_to_json
from sitetest.store.database import Store
from sitetest.store.reading import store_path
from sitetest.store.records import VisitRecord

ABSENT = "127.0.0.1:9"
"""The discard port (RFC 863): nothing listens there."""

NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
Captured = pytest.CaptureFixture[str]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return loopback_site(tmp_path / "shop", ABSENT)


@pytest.fixture
def measured_site(site: Path) -> Path:
    """A site whose store holds a whole visit."""
    plan = bookshop_plan()
    with Store.open(store_path(site), create=True, now=lambda: NOW) as store:
        visit = VisitRecord(
            "visit-1", plan.site, plan.location, plan.profile, NOW, plan_to_json(plan), 7, "tablet", "0.1"
        )
        store.begin_visit(visit)
        for slot in plan.slots:
            store.end_attempt(attempt(slot))
        store.end_visit("visit-1", NOW, "complete")
    return site


def test_help_is_plain_and_names_every_command_and_exit_code(capsys: Captured) -> None:
    assert main(["--help"]) == Exit.DONE
    out = capsys.readouterr().out
    for word in ("demo", "new", "plan", "check", "run", "soak", "compare", "gate", "export", "130"):
        assert word in out
    assert "\x1b" not in out


@pytest.mark.parametrize("command", ["demo", "new", "plan", "check", "run", "soak", "compare", "gate", "export"])
def test_every_command_explains_itself(command: str, capsys: Captured) -> None:
    assert main([command, "--help"]) == Exit.DONE
    assert f"Usage: sitetest {command}" in capsys.readouterr().out


def test_help_loads_nothing_heavy() -> None:
    """`sitetest --help` must answer at once."""
    heavy = ["pandas", "pyarrow", "aiohttp", "zeroconf", "pydantic", "rich.console", "scipy", "sqlite3", "asyncio"]
    code = f"import sys, sitetest.cli.main; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["measure"],
        ["run"],
        ["run", "--profile"],
        ["run", "-p", "basement", "--seed", "-1"],
        ["plan", "-p", "basement", "--no-such-option"],
        ["new"],
    ],
    ids=" ".join,
)
def test_wrong_use_is_exit_2_with_a_message_and_no_traceback(arguments: list[str], capsys: Captured) -> None:
    assert main(arguments) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert captured.out == ""
    if arguments:
        first, last = captured.err.splitlines()
        assert first.startswith("sitetest: ")
        assert last.startswith("Next: sitetest ")
        assert last.endswith("--help")
    else:
        assert captured.err.startswith("Usage: sitetest")
    assert "Traceback" not in captured.err


def test_new_writes_a_site_that_plan_accepts(tmp_path: Path, capsys: Captured) -> None:
    folder = tmp_path / "shop"
    assert main(["new", str(folder)]) == Exit.DONE
    captured = capsys.readouterr()
    written = captured.out.splitlines()
    assert written
    assert all(Path(name).is_file() for name in written)
    assert "Next: " in captured.err
    assert main(["plan", "-p", "basement", "--site", str(folder)]) == Exit.DONE
    assert main(["new", str(folder)]) == Exit.WRONG_USE


def test_plan_shows_order_time_volume_and_the_caution(site: Path, capsys: Captured) -> None:
    assert main(["plan", "-p", "basement", "--site", str(site), "--seed", "3"]) == Exit.DONE
    captured = capsys.readouterr()
    volume = "on the local network, if the lan leg carries"
    for fact in ("4 measurements in 2 turns", volume, "--seed 3", "owner's consent"):
        assert fact in " ".join(captured.out.split())
    assert captured.err == ""
    assert "\x1b" not in captured.out


def test_plan_as_json_is_one_document_and_repeats_with_its_seed(site: Path, capsys: Captured) -> None:
    texts = []
    for _ in range(2):
        assert main(["plan", "-p", "basement", "--site", str(site), "--seed", "3", "--json"]) == Exit.DONE
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1]
    told = json.loads(texts[0])
    assert (told["format"], told["command"], told["seed"], told["measurements"]) == (1, "plan", 3, 4)
    assert [turn["ap_config"] for turn in told["turns"]] == ["auto", "auto"]


def test_a_mistake_in_a_file_is_exit_2_and_names_file_and_key(site: Path, capsys: Captured) -> None:
    profile = site / "profiles" / "basement.toml"
    profile.write_text(profile.read_text(encoding="utf-8").replace("streams", "steams"), encoding="utf-8")
    assert main(["plan", "-p", "basement", "--site", str(site)]) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert captured.out == ""
    for word in ("basement.toml", "timing.steams", "streams"):
        assert word in captured.err


@pytest.mark.parametrize("command", [["run", "--yes"], ["plan"]], ids=["run", "plan"])
@pytest.mark.parametrize(
    "options",
    [["-p", "cellar"], ["-p", "basement", "--ap-config", "wide90"], ["-p", "basement", "--engine", "carrier"]],
)
def test_unknown_names_are_exit_2(site: Path, command: list[str], options: list[str], capsys: Captured) -> None:
    assert main([*command, *options, "--site", str(site)]) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "allowed" in captured.err


def test_check_lists_what_is_not_well_and_what_to_do(site: Path, capsys: Captured) -> None:
    assert main(["check", "--site", str(site)]) == Exit.SERVER
    captured = capsys.readouterr()
    assert "stop" in captured.out
    assert "Next: " in captured.out
    assert "1 thing to put right" in captured.out


def test_check_as_json_says_the_same(site: Path, capsys: Captured) -> None:
    assert main(["check", "--site", str(site), "--json"]) == Exit.SERVER
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["command"], told["fit"]) == (1, "check", False)
    assert [check["next_step"] != "" for check in told["checks"] if check["stops"]] == [True]


def test_an_address_that_is_none_is_wrong_use(site: Path, capsys: Captured) -> None:
    assert main(["check", "--site", str(site), "--server", "ftp://counter"]) == Exit.WRONG_USE
    assert "--server" in capsys.readouterr().err


def test_export_names_the_files_that_it_wrote(measured_site: Path, tmp_path: Path, capsys: Captured) -> None:
    folder = tmp_path / "tables"
    assert main(["export", "--site", str(measured_site), "-o", str(folder), "--format", "csv"]) == Exit.DONE
    written = capsys.readouterr().out.splitlines()
    assert [Path(name).name for name in written] == [
        "attempts.csv",
        "seconds.csv",
        "observations.csv",
        "baselines.csv",
        "watch_seconds.csv",
        "events.csv",
        "datapackage.json",
    ]
    assert all(Path(name).is_file() for name in written)
    assert main(["export", "--site", str(measured_site), "-o", str(folder), "--format", "csv"]) == Exit.WRONG_USE
    arguments = ["export", "--site", str(measured_site), "-o", str(folder), "--format", "csv", "--overwrite", "--json"]
    capsys.readouterr()
    assert main(arguments) == Exit.DONE
    assert len(json.loads(capsys.readouterr().out)["files"]) == 7


@pytest.mark.parametrize("arguments", [["export"], ["run", "-p", "basement", "--resume"]], ids=" ".join)
def test_what_needs_results_says_that_there_are_none(site: Path, arguments: list[str], capsys: Captured) -> None:
    assert main([*arguments, "--site", str(site)]) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert "no results yet" in captured.err
    assert captured.out == ""


@pytest.mark.parametrize("option", [["--seed", "4"], ["--give-up-early"], ["--engine", "http"]], ids=" ".join)
def test_resuming_another_plan_is_refused(option: list[str], measured_site: Path, capsys: Captured) -> None:
    with Store.open(store_path(measured_site), create=False) as store:
        store.end_visit("visit-1", NOW, "interrupted")
    arguments = ["run", "-p", "basement", "--resume", *option, "--yes", "--site", str(measured_site)]
    assert main(arguments) == Exit.WRONG_USE
    assert f"{option[0]} cannot be given together with --resume" in capsys.readouterr().err


def test_an_earlier_rate_replaces_the_assumed_one(measured_site: Path) -> None:
    """The volume shown beforehand is as good as what the site has seen."""
    before = planned_visit.plan_visit(measured_site, "basement", None, None, 3).estimate
    assert {volume.rate_mbps for volume in before.volumes} == {412.34}


def break_with(monkeypatch: pytest.MonkeyPatch, problem: BaseException) -> None:
    def broken(*_: object, **__: object) -> None:
        raise problem

    monkeypatch.setattr(planned_visit, "plan_visit", broken)


PLAN = ["plan", "-p", "basement"]


def test_a_fault_of_ours_is_exit_1_with_the_whole_traceback(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    break_with(monkeypatch, ZeroDivisionError("of ours"))
    assert main(PLAN) == Exit.OUR_FAULT
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "a fault of ours" in captured.err
    assert "Traceback (most recent call last)" in captured.err
    assert "in broken" in captured.err


def test_ctrl_c_is_exit_130(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    break_with(monkeypatch, KeyboardInterrupt())
    assert main(PLAN) == Exit.INTERRUPTED
    assert "Traceback" not in capsys.readouterr().err


def every_error() -> list[type[SitetestError]]:
    found: list[type[SitetestError]] = [SitetestError]
    for kind in found:
        found += kind.__subclasses__()
    return found


@pytest.mark.parametrize("kind", every_error(), ids=lambda kind: str(kind.__name__))
@pytest.mark.parametrize("grouped", [False, True])
def test_every_error_of_the_tree_becomes_its_exit_code_and_a_message(
    kind: type[SitetestError], grouped: bool, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    problem: Exception = kind("what is wrong", "what to do")
    break_with(monkeypatch, ExceptionGroup("tasks", [problem]) if grouped else problem)
    assert main(PLAN) == kind.exit_code
    captured = capsys.readouterr()
    assert captured.err == "sitetest: what is wrong\nNext: what to do\n"
    assert captured.out == ""


@pytest.mark.parametrize(
    ("arguments", "kind", "code"),
    [
        (["plan", "-p", "cellar"], "ProfileError", Exit.WRONG_USE),
        (["plan"], "UsageError", Exit.WRONG_USE),
        (["run", "-p", "basement", "--seed", "-1"], "UsageError", Exit.WRONG_USE),
        (["run", "-p", "basement", "--yes"], "ServerUnreachable", Exit.SERVER),
        (["export"], "UsageError", Exit.WRONG_USE),
        (["check", "--profile", "cellar"], "ProfileError", Exit.WRONG_USE),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else str(value),
)
def test_an_error_is_one_json_document_as_well(
    site: Path, arguments: list[str], kind: str, code: Exit, capsys: Captured
) -> None:
    """A script that reads stdout must not have to guess."""
    where = [] if arguments == ["plan"] else ["--site", str(site)]
    assert main([*arguments, *where, "--json"]) == code
    captured = capsys.readouterr()
    told = json.loads(captured.out)
    assert (told["format"], told["error"]["kind"], told["error"]["exit_code"]) == (1, kind, code)
    assert captured.err.startswith(f"sitetest: {told['error']['message'].splitlines()[0]}")


def test_a_fault_of_ours_is_a_json_document_too(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    break_with(monkeypatch, ZeroDivisionError("of ours"))
    assert main([*PLAN, "--json"]) == Exit.OUR_FAULT
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "ZeroDivisionError"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["measure"], "There is no command measure."),
        (["run"], "Option '--profile' / '-p' is missing."),
        (["run", "-p", "basement", "--seed", "-1"], "'--seed': a number of 0 or more is needed."),
        (["run", "-p", "basement", "--seed", "x"], "'--seed': a whole number is needed."),
        (["plan", "-p", "basement", "--no-such-option"], "There is no option --no-such-option."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_mistake_on_the_command_line_is_said_in_plain_words(
    arguments: list[str], says: str, capsys: Captured
) -> None:
    assert main(arguments) == Exit.WRONG_USE
    assert capsys.readouterr().err.startswith(f"sitetest: {says}")


def test_a_long_plan_is_folded_and_counts_what_it_leaves_out(
    tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")  # the name of the folder stands in it, and may be long
    assert main(["new", str(tmp_path / "shop")]) == Exit.DONE
    with (tmp_path / "shop" / "profiles" / "counter.toml").open("a") as profile:
        profile.write("[repeats]\nminimum = 100\nmaximum = 100\n")
    capsys.readouterr()
    arguments = ["plan", "-p", "counter", "--site", str(tmp_path / "shop"), "--seed", "4"]
    assert main(arguments) == Exit.DONE
    out = capsys.readouterr().out
    assert len(out.splitlines()) < 40
    assert "turns 13 to 200 go on in the same way" in out
    folded = [line.split() for line in out.splitlines() if " times " in line]
    assert {" ".join(words[2:]) for words in folded} == {"auto wide80 wide80 auto", "wide80 auto auto wide80"}
    assert sum(int(words[0]) for words in folded) * 4 == 200 - 12
    assert main([*arguments, "--json"]) == Exit.DONE
    assert len(json.loads(capsys.readouterr().out)["turns"]) == 200


def test_an_export_of_nothing_says_so(site: Path, tmp_path: Path, capsys: Captured) -> None:
    Store.open(store_path(site), create=True, now=lambda: NOW).close()
    assert main(["export", "--site", str(site), "-o", str(tmp_path / "tables"), "--format", "csv"]) == Exit.DONE
    assert "Nothing was attempted here yet" in capsys.readouterr().err


def test_a_message_moves_no_cursor(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    break_with(monkeypatch, SitetestError("server \x1b[2J says \u202egnorw"))
    main(PLAN)
    assert "\x1b" not in capsys.readouterr().err


def close_early(arguments: list[str]) -> subprocess.Popen[bytes]:
    code = "from sitetest.cli.main import run; run()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def test_a_reader_who_goes_away_gets_no_traceback(site: Path) -> None:
    process = close_early(["plan", "-p", "basement", "--site", str(site)])
    assert process.stdout is not None
    process.stdout.close()
    _, err = process.communicate(timeout=30)
    assert b"Traceback" not in err


@pytest.fixture
def narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    return lambda: monkeypatch.setenv("COLUMNS", "40")


def test_results_keep_to_the_width_that_columns_says(
    site: Path, capsys: Captured, narrow_terminal: Callable[[], None]
) -> None:
    narrow_terminal()
    assert main(["plan", "-p", "basement", "--site", str(site)]) == Exit.DONE
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 40
