"""`sitetest check` against a real server on loopback: what a person sees, what a script gets."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from bookshop_visit import attempt, bookshop_plan
from loopback_site import loopback_site
from server_process import TOKEN, ServerProcess, server_process
from site_folder import site_folder

from sitetest.cli import idle_round_trips, laptop_reading
from sitetest.cli.main import main
from sitetest.errors import Exit
from sitetest.observe.interface import InterfaceKind, interface_facts
from sitetest.plan.plan_json import plan_to_json
from sitetest.report.attempt_words import not_the_air_of
from sitetest.store.database import Store
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import VisitRecord
from sitetest.visit import wired_baseline

Captured = pytest.CaptureFixture[str]
NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    with server_process(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture
def site(tmp_path: Path, server: ServerProcess, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("CONFIG", "STATE", "DATA", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    monkeypatch.setattr(laptop_reading, "QUIET_S", 0.05)
    monkeypatch.setattr(idle_round_trips, "IDLE_S", 0.2)
    return loopback_site(tmp_path / "shop", f"127.0.0.1:{server.port}", ap_configs=("auto", "wide80"))


def checks_of(capsys: Captured, *arguments: str, code: Exit = Exit.DONE) -> dict[str, dict[str, object]]:
    assert main(["check", *arguments, "--json"]) == code
    told = json.loads(capsys.readouterr().out)
    assert told["format"] == 1
    return {check["name"]: check for check in told["checks"]}


def test_without_a_profile_both_engines_are_asked_and_everything_about_the_laptop(site: Path, capsys: Captured) -> None:
    checks = checks_of(capsys, "--site", str(site), "--token", TOKEN)
    for name in (
        "results so far", "engine http on this laptop (lan)", "engine iperf3 on this laptop (lan)", "room for results",
        "results can be written", "server of the lan leg", "way to the lan server", "quiet before the test", "power",
        "clock", "round trip, idle",
    ):  # fmt: skip
        assert name in checks
    assert "over lo" in str(checks["way to the lan server"]["detail"])
    assert "probes lost" in str(checks["round trip, idle"]["detail"]), "the server reflects under a lease"
    assert "as at the server" in str(checks["clock"]["detail"])
    assert not store_path(site).exists(), "nothing is kept by asking"


def test_one_engine_that_works_is_enough_where_nobody_asked_for_one(
    site: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With --engine iperf3 the same is a reason to stop."""
    from sitetest.engines.base import Availability
    from sitetest.engines.iperf3 import Iperf3Engine

    missing = Availability(False, reason="libiperf is not installed")
    monkeypatch.setattr(Iperf3Engine, "availability", lambda engine: missing)
    name = "engine iperf3 on this laptop (lan)"
    noted = checks_of(capsys, "--site", str(site), "--token", TOKEN)[name]
    assert (noted["ok"], noted["stops"]) == (False, False)
    options = ["--site", str(site), "--token", TOKEN, "--engine", "iperf3"]
    assert checks_of(capsys, *options, code=Exit.WRONG_USE)[name]["stops"]


def test_a_wrong_token_is_one_finding_and_explained_once(site: Path, capsys: Captured) -> None:
    assert main(["check", "--site", str(site), "--token", "wrong"]) == Exit.SERVER
    text = " ".join(capsys.readouterr().out.split())
    assert "1 thing to put right before a run." in text
    assert text.count("SITETEST_TOKEN") == 1
    assert text.count("when it starts") + text.count("when it started") == 2, "what was wrong, and what to do"


def test_every_apply_command_of_the_site_is_looked_at_also_without_a_profile(
    site: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(site)
    text = (site / "profiles" / "site.toml").read_text(encoding="utf-8")
    site_folder(site, text + 'apply = ["sh", "switch_ap.sh"]\n')
    checks = checks_of(capsys, "--site", str(site), "--token", TOKEN, code=Exit.WRONG_USE)
    assert "'switch_ap.sh'" in str(checks["apply command of wide80"]["detail"])


def test_an_unfinished_visit_is_said_with_its_command(site: Path, capsys: Captured) -> None:
    plan = bookshop_plan()
    with Store.open(store_path(site), create=True, now=lambda: NOW) as store:
        store.begin_visit(VisitRecord("v-1", plan.site, "basement", "basement", NOW, plan_to_json(plan), 7, "t", "0.1"))
    found = checks_of(capsys, "--site", str(site), "--token", TOKEN)["results so far"]
    assert "1 visit. A visit of basement at basement, begun 2026-03-0" in str(found["detail"])
    assert "8 measurements left" in str(found["detail"])
    assert f"sitetest run --profile basement --resume --site {site}" in str(found["next_step"])


def test_results_that_cannot_be_read_are_a_finding_and_not_the_end_of_the_check(site: Path, capsys: Captured) -> None:
    store_path(site).parent.mkdir()
    store_path(site).write_bytes(b"no database at all" * 99)
    checks = checks_of(capsys, "--site", str(site), "--token", TOKEN, code=Exit.WRONG_USE)
    assert checks["results so far"]["stops"]
    assert "power" in checks


def test_loopback_is_a_wire_only_if_the_person_says_so(site: Path, capsys: Captured) -> None:
    options = ["--site", str(site), "--token", TOKEN, "--baseline"]
    refused = checks_of(capsys, *options, code=Exit.WRONG_USE)["wired baseline"]
    assert "lo is not known to be a wire" in str(refused["detail"])
    assert "--wired" in str(refused["next_step"])
    assert not store_path(site).exists()


def test_the_wired_baseline_is_measured_held_against_the_links_and_kept(
    site: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in (("REPEATS", 1), ("WARM_UP_S", 0.1), ("DURATION_S", 0.4), ("STREAMS", 2)):
        monkeypatch.setattr(wired_baseline, name, value)
    options = ["--site", str(site), "--token", TOKEN, "--engine", "http", "--baseline", "--wired"]
    assert main(["check", *options, "--json"]) == Exit.DONE
    captured = capsys.readouterr()
    told = json.loads(captured.out)["baseline"]
    assert (told["interface"], told["engine"], told["link_mbps"]) == ("lo", "http", None)
    assert told["download_mbps"] > 0
    assert told["upload_mbps"] > 0
    assert "owner's consent" in captured.err
    with StoreReader.read_only(store_path(site)) as store:
        (kept,) = store.baselines()
    assert kept.baseline_id == told["baseline_id"]
    assert kept.download_mbps == pytest.approx(told["download_mbps"])


def test_a_run_says_before_it_begins_what_was_left_unfinished_and_that_it_goes_over_a_cable(
    site: Path, server: ServerProcess, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    loopback_site(site, f"127.0.0.1:{server.port}", turns=1, warm_up_s=0.1, duration_s=1.0)
    plan = bookshop_plan()
    with Store.open(store_path(site), create=True, now=lambda: NOW) as store:
        store.begin_visit(VisitRecord("v-1", plan.site, "basement", "basement", NOW, plan_to_json(plan), 7, "t", "0.1"))
    a_cable = replace(interface_facts("lo"), kind=InterfaceKind.ETHERNET)
    monkeypatch.setattr("sitetest.cli.ready.interface_facts", lambda name: a_cable)
    code = main(["run", "-p", "basement", "--yes", "--site", str(site), "--token", TOKEN, "--json"])
    assert code in {Exit.DONE, Exit.INCOMPLETE}, "a busy laptop makes an unpaced loopback attempt invalid"
    captured = capsys.readouterr()
    before, _, after = captured.err.partition("basement: 2 measurements")
    assert "A visit of basement at basement" in before
    assert f"sitetest run --profile basement --resume --site {site}" in before
    assert "it measures the wire, not Wi-Fi" in before
    assert "is not finished" not in after
    assert len(json.loads(captured.out)["attempts"]) >= 2


def test_the_summary_says_that_results_went_over_a_cable() -> None:
    slot = bookshop_plan().slots[0]
    wired = attempt(slot, interface="eth0", interface_kind="ethernet")
    air = attempt(slot, interface="wlan0", interface_kind="wifi")
    assert not_the_air_of([wired, wired]) == "All attempts went over a cable (eth0), not over Wi-Fi."
    assert not_the_air_of([wired, air]) == "1 of 2 attempts went over a cable (eth0), not over Wi-Fi."
    assert not_the_air_of([air, attempt(slot)]) == ""


@pytest.mark.parametrize("columns", ["40", "80"])
def test_the_screen_keeps_to_its_width_and_says_the_same(
    site: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch, columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert main(["check", "--site", str(site), "--token", TOKEN]) == Exit.DONE
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= int(columns)
    lines = [line for line in out.splitlines() if line.strip()]
    assert all(line[:4].strip() in {"ok", "note", "stop", ""} for line in lines[:-1])
    assert lines[-1].startswith("Fit to measure")
