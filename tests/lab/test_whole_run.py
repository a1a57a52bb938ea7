"""The whole job across network namespaces: server and agent as processes, the kernel's token bucket as the truth.

Truth of the rate: linux net/sched/sch_tbf.c. Of the payload share: 1448 of 1514 bytes (RFC 7323, appendix A; tbf counts
the frame with its Ethernet header and without FCS).
"""

import json
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from lab_network import LabNetwork, truth_mbps
from loopback_site import loopback_site
from paced_server import paced_server
from server_process import TOKEN, ServerProcess, server_process
from site_folder import site_folder
from sitetest_process import COMMAND, agent_environment, document, run_agent, start_agent, until_said

from sitetest.plan.idle_path import IDLE_S
from sitetest.store.reading import StoreReader, store_path

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.timeout(180)]

TOLERANCE = 0.005
"""The issue's own: half a per cent."""

SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{lan}"
internet = "{internet}"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
"""

PROFILE = """\
format = 1
location = "basement"
[matrix]
legs = [{legs}]
engines = [{engines}]
ap_configs = ["auto"]
[timing]
streams = 3
warm_up_s = 1
duration_s = {duration_s}
[repeats]
minimum = 1
[limits]
internet_data_gb = {cap_gb}
expected_internet_mbps = 60
"""


@contextmanager
def server_in(lab: LabNetwork, name: str, folder: Path) -> Iterator[ServerProcess]:
    namespace = ["ip", "netns", "exec", lab._namespace(name)]
    with server_process(folder / name, bind=lab.address(name), port=17300, command_prefix=namespace) as server:
        yield server


def run_in(lab: LabNetwork, folder: Path, site: Path, *options: str) -> tuple[int, dict[str, Any], str]:
    """Run the agent on the laptop; return exit code, document and stderr."""
    agent = lab.popen_in(
        "laptop",
        [*COMMAND, "run", "-p", "basement", "--site", str(site), "--yes", "--json", *options],
        env=agent_environment(folder, TOKEN),
    )
    out, err = agent.communicate(timeout=120)
    assert out, err.decode()
    return agent.returncode, json.loads(out), err.decode()


@pytest.mark.libiperf
def test_both_engines_and_directions_give_the_rate_of_the_bucket(lab: LabNetwork, tmp_path: Path) -> None:
    lab.set_rate(100.0)
    profile = PROFILE.format(legs='"lan"', engines='"iperf3", "http"', cap_gb=1, duration_s=4)
    site = site_folder(tmp_path / "shop", SITE.format(lan=lab.address("server"), internet=""), basement=profile)
    with server_in(lab, "server", tmp_path):
        code, told, err = run_in(lab, tmp_path, site)
    assert code == 0, err
    assert told["simulated"] is None
    assert "owner's consent" in err
    measured = {(case["engine"], case["direction"]): case["typical_mbps"] for case in told["cases"]}
    assert set(measured) == {(e, d) for e in ("iperf3", "http") for d in ("download", "upload")}
    for case, mbps in measured.items():
        assert mbps == pytest.approx(truth_mbps(100.0), rel=TOLERANCE), case


LAN_MBPS, INTERNET_MBPS = 200.0, 60.0


def both_legs(lab: LabNetwork, tmp_path: Path, cap_gb: float = 1.0, duration_s: float = 1.0) -> Path:
    lab.set_rate(LAN_MBPS, peer="server")
    lab.set_rate(INTERNET_MBPS, peer="far")
    profile = PROFILE.format(legs='"lan", "internet"', engines='"http"', cap_gb=cap_gb, duration_s=duration_s)
    internet = f"http://{lab.address('far')}:17300"
    return site_folder(tmp_path / "shop", SITE.format(lan=lab.address("server"), internet=internet), basement=profile)


MakeLab = Callable[..., LabNetwork]


def test_each_leg_is_measured_at_its_own_truth_in_one_run(make_lab: MakeLab, tmp_path: Path) -> None:
    lab = make_lab(("server", "far"))
    site = both_legs(lab, tmp_path, duration_s=4.0)
    with server_in(lab, "server", tmp_path), server_in(lab, "far", tmp_path):
        code, told, err = run_in(lab, tmp_path, site)
    assert code == 0, err
    assert "uses real data volume" in err
    measured = {(case["leg"], case["direction"]): case["typical_mbps"] for case in told["cases"]}
    for direction in ("download", "upload"):
        assert measured["lan", direction] == pytest.approx(truth_mbps(LAN_MBPS), rel=TOLERANCE)
        assert measured["internet", direction] == pytest.approx(truth_mbps(INTERNET_MBPS), rel=TOLERANCE)


def test_an_internet_leg_that_is_cut_costs_its_own_cases_only(make_lab: MakeLab, tmp_path: Path) -> None:
    lab = make_lab(("server", "far"))
    site = both_legs(lab, tmp_path)
    with server_in(lab, "server", tmp_path):
        lab.link_down("far")
        code, told, err = run_in(lab, tmp_path, site)
    assert code == 3, err
    counts = {(case["leg"], case["direction"]): case["n"] for case in told["cases"]}
    assert counts["lan", "download"] == counts["lan", "upload"] == 1
    assert counts["internet", "download"] == counts["internet", "upload"] == 0
    assert "LAN leg is measured all the same" in err


def test_the_data_cap_stops_the_internet_leg_and_nothing_else(make_lab: MakeLab, tmp_path: Path) -> None:
    lab = make_lab(("server", "far"))
    site = both_legs(lab, tmp_path, cap_gb=0.01)
    with server_in(lab, "server", tmp_path), server_in(lab, "far", tmp_path):
        code, told, err = run_in(lab, tmp_path, site)
    assert code == 3, err
    assert [attempt["status"] for attempt in told["attempts"] if attempt["leg"] == "lan"] == ["ok", "ok"]
    assert "internet_data_gb" in err


CUT_AFTER_S = 2.5
CUT_LIMIT_S = 15.0
"""The issue's own, for a transfer whose link is gone; the fault tests beside this file hold it to that."""
ASKED_S = 5.0
"""For asking the network afterwards, which no longer answers, and for the slow facts before and after."""


def await_download(lab: LabNetwork, wanted_bytes: float) -> None:
    """Return when the laptop has received so many bytes, by its own network card's count."""
    command = ["ip", "-n", lab._namespace("laptop"), "-s", "-j", "link", "show", "to-server"]
    until_s = time.monotonic() + 20.0
    while time.monotonic() < until_s:
        told = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
        if told[0]["stats64"]["rx"]["bytes"] >= wanted_bytes:
            return
        time.sleep(0.05)
    raise AssertionError(f"never received {wanted_bytes:.0f} bytes")


def test_a_link_that_goes_down_fails_the_attempt_and_the_next_one_succeeds(lab: LabNetwork, tmp_path: Path) -> None:
    lab.set_rate(50.0)
    # Long enough that the cut falls into the download even where the kernel takes seconds to take a link down.
    profile = PROFILE.format(legs='"lan"', engines='"http"', cap_gb=1, duration_s=12)
    site = site_folder(tmp_path / "shop", SITE.format(lan=lab.address("server"), internet=""), basement=profile)
    with server_in(lab, "server", tmp_path):
        agent = lab.popen_in(
            "laptop",
            [*COMMAND, "run", "-p", "basement", "--site", str(site), "--yes", "--json"],
            env=agent_environment(tmp_path, TOKEN),
        )
        assert agent.stderr is not None
        until(agent, b"turn 1 of 1")
        await_download(lab, CUT_AFTER_S * 50e6 / 8)  # 1 s of warm-up and more than one second of the window
        lab.link_down()
        until(agent, b"path to the server lost")
        lab.link_up()
        out, err = agent.communicate(timeout=90)
    told = json.loads(out)
    statuses = [(attempt["direction"], attempt["status"]) for attempt in told["attempts"]]
    assert statuses == [("download", "failed"), ("upload", "ok")], err.decode()
    with StoreReader.read_only(store_path(site)) as store:
        (visit,) = store.visits()
        cut, _ = store.attempts(visit.visit_id)
        seconds = store.seconds(cut.test_id)
    assert cut.wall_s < IDLE_S + CUT_AFTER_S + CUT_LIMIT_S + ASKED_S
    assert seconds, "nothing is kept of the second before the cut"
    assert seconds[0].throughput_mbps == pytest.approx(truth_mbps(50.0), rel=0.05)
    assert agent.returncode == 3  # the download has no valid result


def until(agent: "subprocess.Popen[bytes]", wanted: bytes) -> None:
    assert agent.stderr is not None
    for line in agent.stderr:
        if wanted in line:
            return
    raise AssertionError(f"never said: {wanted!r}")


def test_a_disk_that_fills_up_ends_the_run_with_what_is_kept_and_resume_completes_it(tmp_path: Path) -> None:
    """Between two attempts of a real run the site's disk loses its last byte of room."""
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=80m", "sitetest-test", str(disk)], check=True)
    try:
        with paced_server(tmp_path / "server") as server:
            site = loopback_site(disk / "shop", server.url, turns=4)
            run = ("run", "-p", "basement", "--site", str(site), "--yes")
            agent = start_agent(tmp_path, *run, token=server.token)
            try:
                until_said(agent, lambda line: line.startswith("1/8 "))
                with (disk / "filler").open("wb", buffering=0) as filler:
                    while shutil.disk_usage(disk).free:
                        filler.write(bytes(65536) if shutil.disk_usage(disk).free >= 65536 else bytes(4096))
                _, err = agent.communicate(timeout=30)
            finally:
                if agent.poll() is None:
                    agent.kill()
                    agent.communicate()
            assert agent.returncode == 3, err
            assert "Traceback" not in err
            assert "The disk is full; everything that was measured is kept" in err
            assert "--resume" in err
            (disk / "filler").unlink()
            done = run_agent(tmp_path, *run, "--resume", "--json", token=server.token)
            assert done.returncode == 0, done.stderr
            assert [case["n"] for case in document(done.stdout)["cases"]] == [4, 4]
    finally:
        subprocess.run(["umount", str(disk)], check=True)
