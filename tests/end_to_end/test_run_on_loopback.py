"""The whole job in real processes: a server, the agent, a store, a table, exit codes.

The server paces its payload: an unpaced loopback keeps a processor core busy, which the visit rightly calls invalid.
"""

import csv
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
import trustme
from loopback_site import loopback_site
from paced_server import DOWNLOAD_MBPS, UPLOAD_MBPS, paced_server
from server_process import ServerProcess, server_process
from site_folder import site_folder
from sitetest_process import agent_environment, document, run_agent, start_agent, until_said

from sitetest_wire.messages import LEASE_SILENCE_S

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """One for all that leave it alive."""
    with paced_server(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture
def site(tmp_path: Path, server: ServerProcess) -> Path:
    return loopback_site(tmp_path / "site", server.url)


def rows(site: Path) -> list[dict[str, str]]:
    with (site / "results" / "results.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def store_is_whole(site: Path) -> bool:
    """SQLite's own check of the file."""
    with sqlite3.connect(site / "results" / "site.sqlite") as connection:
        found = connection.execute("PRAGMA integrity_check").fetchone()[0]
    connection.close()
    return bool(found == "ok")


def test_a_run_measures_keeps_and_tells(tmp_path: Path, site: Path, server: ServerProcess) -> None:
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", "--json", token=server.token)
    assert done.returncode == 0, done.stderr
    told = document(done.stdout)
    assert told["outcome"] == "complete"
    assert [case["n"] for case in told["cases"]] == [2, 2]
    assert [case["typical_mbps"] for case in told["cases"]] == pytest.approx([120, 80], rel=0.05)
    assert told["simulated"]
    table = rows(site)
    assert [row["status"] for row in table] == ["ok"] * 4
    assert {row["test_id"] for row in table} == {attempt["test_id"] for attempt in told["attempts"]}
    assert store_is_whole(site)
    assert "\x1b" not in done.stderr


def test_the_token_is_needed_once(tmp_path: Path, site: Path, server: ServerProcess) -> None:
    arguments = ("check", "--site", str(site))
    refused = run_agent(tmp_path, *arguments)
    assert refused.returncode == 6
    assert "--token" in refused.stdout
    assert run_agent(tmp_path, *arguments, token=server.token).returncode == 0
    assert run_agent(tmp_path, *arguments).returncode == 0


def test_a_wrong_token_ends_the_run_before_anything_is_measured(tmp_path: Path, site: Path) -> None:
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token="not-this-one")
    assert done.returncode == 6
    assert "Next: " in done.stderr
    assert "token" in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_server_that_is_absent_ends_the_run_with_what_to_do(tmp_path: Path) -> None:
    site = loopback_site(tmp_path / "site", "127.0.0.1:9")  # the discard port, RFC 863: nothing listens there
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token="any")
    assert done.returncode == 6
    assert "127.0.0.1:9" in done.stderr
    assert "Next: " in done.stderr
    assert "Traceback" not in done.stderr


def test_resuming_a_complete_visit_says_so_and_measures_nothing(tmp_path: Path, server: ServerProcess) -> None:
    site = loopback_site(tmp_path / "site", server.url, turns=1)
    run = ("run", "-p", "basement", "--site", str(site), "--yes", "--json")
    assert run_agent(tmp_path, *run, token=server.token).returncode == 0
    before = rows(site)
    again = run_agent(tmp_path, *run, "--resume", token=server.token)
    assert again.returncode == 0
    assert "complete" in again.stderr
    assert document(again.stdout)["outcome"] == "complete"
    assert rows(site) == before


def test_resuming_what_never_began_is_wrong_use(tmp_path: Path, site: Path, server: ServerProcess) -> None:
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--resume", token=server.token)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_ctrl_c_keeps_what_is_measured_and_resume_completes_it_without_repeating(
    tmp_path: Path, site: Path, server: ServerProcess
) -> None:
    run = ("run", "-p", "basement", "--site", str(site), "--yes")
    agent = start_agent(tmp_path, *run, token=server.token)
    try:
        until_said(agent, lambda line: line.startswith("1/4 "))
        agent.send_signal(signal.SIGINT)
        out, err = agent.communicate(timeout=15)
    finally:
        if agent.poll() is None:
            agent.kill()
    assert agent.returncode == 130, err
    assert "what is measured is kept" in err
    assert "--resume" in err
    assert "auto download" in out
    assert store_is_whole(site)
    first = rows(site)
    finished = [row for row in first if row["status"] == "ok"]
    assert finished
    done = run_agent(tmp_path, *run, "--resume", "--json", token=server.token)
    assert done.returncode == 0, done.stderr
    after = rows(site)
    assert after[: len(first)] == first
    assert sum(row["status"] == "ok" for row in after) == 4
    settled = [(row["turn"], row["direction"]) for row in after if row["status"] == "ok"]
    assert len(set(settled)) == 4


def test_a_second_ctrl_c_stops_at_once_and_still_shows_what_was_measured(tmp_path: Path, server: ServerProcess) -> None:
    site = loopback_site(tmp_path / "site", server.url, duration_s=1.0, turns=20)
    agent = start_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token=server.token)
    try:
        until_said(agent, lambda line: line.startswith("1/40 "))
        agent.send_signal(signal.SIGINT)
        agent.send_signal(signal.SIGINT)
        out, err = agent.communicate(timeout=15)
    finally:
        if agent.poll() is None:
            agent.kill()
    assert agent.returncode == 130, err
    assert "auto download" in out
    assert "Traceback" not in err
    assert store_is_whole(site)


def test_two_agents_on_one_site_do_not_write_over_each_other(tmp_path: Path, server: ServerProcess) -> None:
    site = loopback_site(tmp_path / "site", server.url, turns=20)
    run = ("run", "-p", "basement", "--site", str(site), "--yes")
    first = start_agent(tmp_path, *run, token=server.token)
    try:
        until_said(first, lambda line: line.startswith("1/40 "))
        second = run_agent(tmp_path, *run, token=server.token)
        assert second.returncode == 2
        assert "Another sitetest run is writing" in second.stderr
        assert second.stdout == ""
        assert first.poll() is None
    finally:
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=15)


def test_two_agents_on_one_server_both_finish_and_the_one_who_waits_is_told(
    tmp_path: Path, server: ServerProcess
) -> None:
    agents = []
    for name in ("one", "two"):
        site = loopback_site(tmp_path / name, server.url, turns=1, duration_s=2.0)
        arguments = ("run", "-p", "basement", "--site", str(site), "--yes", "--json")
        agents.append(start_agent(tmp_path / f"home-{name}", *arguments, token=server.token))
    ends = [agent.communicate(timeout=60) for agent in agents]
    assert [agent.returncode for agent in agents] == [0, 0], [err for _, err in ends]
    for out, _ in ends:
        assert [case["n"] for case in document(out)["cases"]] == [1, 1]
    told = [line for _, err in ends for line in err.splitlines() if line.startswith("waiting for the server")]
    assert told
    assert all("we are next" in line for line in told)


def test_an_agent_that_vanishes_gives_its_turn_to_the_one_who_waits(tmp_path: Path, server: ServerProcess) -> None:
    """Killed in mid-transfer: its lease ends by itself, and the next agent, told its place, measures."""
    long = loopback_site(tmp_path / "one", server.url, turns=1, duration_s=60.0)
    first = start_agent(
        tmp_path / "home-one", "run", "-p", "basement", "--site", str(long), "--yes", token=server.token
    )
    short = loopback_site(tmp_path / "two", server.url, turns=1)
    try:
        until_said(first, lambda line: line.startswith("turn 1 of 1"))
        second = start_agent(
            tmp_path / "home-two", "run", "-p", "basement", "--site", str(short), "--yes", token=server.token
        )
        try:
            until_said(second, lambda line: line.startswith("waiting for the server"))
            first.kill()
            began_s = time.monotonic()
            _, err = second.communicate(timeout=60)
        finally:
            if second.poll() is None:
                second.kill()
                second.communicate()
    finally:
        first.kill()
        first.communicate()
    assert second.returncode == 0, err
    assert time.monotonic() - began_s < LEASE_SILENCE_S + 10.0
    assert [row["status"] for row in rows(short)] == ["ok", "ok"]


CLOCK_SET_BACK = """\
import datetime, time

import sitetest.engines.http as http

system_time, system_datetime, system_upload = time.time, datetime.datetime, http.TimedUpload
behind_s = 0.0


class Datetime(system_datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) - datetime.timedelta(seconds=behind_s)


class TimedUpload(system_upload):
    async def run(self, *arguments):
        global behind_s
        behind_s = 3600.0
        return await super().run(*arguments)


time.time = lambda: system_time() - behind_s
datetime.datetime = Datetime
http.TimedUpload = TimedUpload
from sitetest.cli.main import run

run()
"""
"""The agent with wall clocks of its own, an hour behind once its first upload begins: the system's stays as it is."""


def test_a_clock_that_is_set_back_during_a_run_is_noted_and_costs_nothing(
    tmp_path: Path, site: Path, server: ServerProcess
) -> None:
    """Order and durations come from the monotonic clock."""
    done = subprocess.run(
        [sys.executable, "-c", CLOCK_SET_BACK, "run", "-p", "basement", "--site", str(site), "--yes"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        env=agent_environment(tmp_path, server.token),
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "clock_step" in done.stderr
    table = rows(site)
    assert [row["status"] for row in table] == ["ok"] * 4
    assert [row["counted"] for row in table] == ["true"] * 4
    assert [row["order_index"] for row in table] == ["1", "2", "3", "4"]
    for row in table:
        wanted = {"download": DOWNLOAD_MBPS, "upload": UPLOAD_MBPS}[row["direction"]]
        assert float(row["throughput_mbps"]) == pytest.approx(wanted, rel=0.05)
    during = [row["direction"] for row in table].index("upload")
    assert [number for number, row in enumerate(table) if "clock_step" in row["flags"].split(";")] == [during]
    starts = [datetime.fromisoformat(row["started_at"]) for row in table]
    assert [later < earlier for earlier, later in pairwise(starts)] == [number == during for number in range(3)]
    assert store_is_whole(site)


BOTH_LEGS_SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{lan}"
internet = "https://localhost:{far_port}"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
"""

BOTH_LEGS_PROFILE = """\
format = 1
location = "basement"
[matrix]
legs = ["lan", "internet"]
engines = ["http"]
ap_configs = ["auto"]
[timing]
streams = 2
warm_up_s = 0
duration_s = 1
[repeats]
minimum = 1
"""


def test_a_certificate_that_is_not_trusted_costs_the_internet_leg_only(tmp_path: Path, server: ServerProcess) -> None:
    """The issuer of the far server's certificate is nobody whom this laptop trusts."""
    certificate = trustme.CA().issue_cert("localhost")
    chain, key = tmp_path / "chain.pem", tmp_path / "key.pem"
    chain.write_bytes(b"".join(part.bytes() for part in certificate.cert_chain_pems))
    key.write_bytes(certificate.private_key_pem.bytes())
    tls = ("--tls-cert", str(chain), "--tls-key", str(key))
    with server_process(tmp_path / "far", *tls, token=server.token) as far:
        text = BOTH_LEGS_SITE.format(lan=server.url, far_port=far.port)
        site = site_folder(tmp_path / "shop", text, basement=BOTH_LEGS_PROFILE)
        done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token=server.token)
    assert done.returncode == 3, done.stderr
    assert "certificate" in done.stderr
    assert "Traceback" not in done.stderr
    settled = {(row["leg"], row["direction"]): row["status"] for row in rows(site) if row["status"] == "ok"}
    assert settled == {("lan", "download"): "ok", ("lan", "upload"): "ok"}
    far_rows = [row for row in rows(site) if row["leg"] == "internet"]
    assert all(row["reason"].startswith("certificate: ") for row in far_rows)
    assert {row["direction"] for row in far_rows} == {"download", "upload"}
    assert store_is_whole(site)


def test_a_token_that_the_far_server_refuses_is_not_remembered_for_it(tmp_path: Path, server: ServerProcess) -> None:
    """Nor is it shown the token of the wired server; a right one given later puts it right."""
    with server_process(tmp_path / "far", token="its-own-token") as far:
        text = BOTH_LEGS_SITE.replace("https://localhost", "http://127.0.0.1")
        site = site_folder(
            tmp_path / "shop", text.format(lan=server.url, far_port=far.port), basement=BOTH_LEGS_PROFILE
        )
        check = ("check", "-p", "basement", "--site", str(site))
        refused = run_agent(tmp_path, *check, "--internet-token", "wrong", token=server.token)
        assert "wrong token" in refused.stdout
        remembered = next(tmp_path.rglob("servers.json")).read_text(encoding="utf-8")
        assert server.server_id in remembered
        assert far.server_id not in remembered
        accepted = run_agent(tmp_path, *check, "--internet-token", "its-own-token", token=server.token)
        assert accepted.returncode == 0, accepted.stdout
        assert "wrong token" not in accepted.stdout
        assert far.server_id in next(tmp_path.rglob("servers.json")).read_text(encoding="utf-8")


def test_a_server_killed_in_the_middle_leaves_a_whole_store_and_a_way_on(tmp_path: Path) -> None:
    with paced_server(tmp_path / "server") as server:
        site = loopback_site(tmp_path / "site", server.url, turns=20)
        agent = start_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token=server.token)
        try:
            until_said(agent, lambda line: line.startswith("1/40 "))
            server.process.kill()
            until_said(agent, lambda line: line.startswith("server lost, its machine answers"))
            agent.send_signal(signal.SIGINT)
            _, err = agent.communicate(timeout=15)
        finally:
            if agent.poll() is None:
                agent.kill()
    assert agent.returncode == 130
    assert "--resume" in err
    assert store_is_whole(site)
    assert any(row["status"] == "ok" for row in rows(site))
    assert any(row["reason"].startswith("server_gone") for row in rows(site))


def test_an_engine_that_the_server_does_not_offer_is_refused_before_anything_is_measured(
    tmp_path: Path, site: Path, server: ServerProcess
) -> None:
    run = ("run", "-p", "basement", "--site", str(site), "--yes", "--engine", "iperf3")
    done = run_agent(tmp_path, *run, token=server.token)
    assert done.returncode == 2
    assert "iperf3 cannot be used" in done.stderr
    assert "--engine http" in done.stderr
    assert done.stdout == ""


def test_nobody_to_ask_and_no_command_to_switch_with_is_refused(tmp_path: Path, server: ServerProcess) -> None:
    site = loopback_site(tmp_path / "site", server.url, ap_configs=("auto", "wide80"))
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), "--yes", token=server.token)
    assert done.returncode == 2
    assert "apply" in done.stderr
    assert "--ap-config" in done.stderr


def test_an_input_that_has_ended_stops_the_run_at_the_first_question(tmp_path: Path, server: ServerProcess) -> None:
    site = loopback_site(tmp_path / "site", server.url, ap_configs=("auto", "wide80"))
    done = run_agent(tmp_path, "run", "-p", "basement", "--site", str(site), token=server.token)
    assert done.returncode == 130
    assert "nobody can answer" in done.stderr
    assert "Nothing was measured." in done.stdout
    assert "--resume" in done.stderr
