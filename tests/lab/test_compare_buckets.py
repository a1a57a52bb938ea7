"""From `apply` to the verdict: AP configs that are kernel token buckets, measured by `run`, judged by `compare`.

Truth of the ratio: the rates of the buckets (linux net/sched/sch_tbf.c); the payload's share of a frame is the same for
both and cancels.
"""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from bucket_command import apply_script
from lab_network import LabNetwork
from lab_server import lab_server
from server_process import TOKEN
from site_folder import site_folder
from sitetest_process import COMMAND, agent_environment

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.timeout(180)]

RATES_MBPS = {"faster": (40.0, 48.0), "equal": (40.0, 40.0)}
TURNS = 4

SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{server}"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
apply = ["sh", "{script}", "{auto}"]
[[ap_config]]
name = "wide80"
access_point = "counter"
apply = ["sh", "{script}", "{wide80}"]
"""

PROFILE = f"""\
format = 1
location = "basement"
[matrix]
engines = ["http"]
directions = ["download"]
ap_configs = ["auto", "wide80"]
[timing]
streams = 2
warm_up_s = 0.5
duration_s = 1.5
[repeats]
minimum = {TURNS}
maximum = {TURNS}
"""


def measured_and_compared(lab: LabNetwork, folder: Path, rates_mbps: tuple[float, float]) -> dict[str, Any]:
    """Run the whole command in a lab; return the one comparison of ``sitetest compare --json``."""
    folder.mkdir()
    auto, wide80 = (round(rate * 1e6) for rate in rates_mbps)
    script = apply_script(lab, folder)
    with lab_server(lab, folder / "server") as server:
        site_text = SITE.format(server=server.url, script=script, auto=auto, wide80=wide80)
        site = site_folder(folder / "shop", site_text, basement=PROFILE)
        done = sitetest(lab, folder, "run", "-p", "basement", "--site", str(site), "--yes", "--seed", "5", "--json")
    assert [attempt["status"] for attempt in done["attempts"]] == ["ok"] * 2 * TURNS
    told = sitetest(lab, folder, "compare", "auto", "wide80", "--site", str(site), "--json")
    assert told["simulated"] is None
    (comparison,) = told["comparisons"]
    assert isinstance(comparison, dict)
    return comparison


def sitetest(lab: LabNetwork, folder: Path, *arguments: str) -> dict[str, Any]:
    agent = lab.popen_in("laptop", [*COMMAND, *arguments], env=agent_environment(folder, TOKEN))
    out, err = agent.communicate(timeout=120)
    assert agent.returncode == 0, err.decode()
    found = json.loads(out)
    assert isinstance(found, dict)
    return found


def test_buckets_a_fifth_apart_are_told_apart_and_equal_ones_are_not(tmp_path: Path) -> None:
    with LabNetwork() as one, LabNetwork() as other, ThreadPoolExecutor(2) as threads:
        labs = dict(zip(RATES_MBPS, (one, other), strict=True))
        running = {
            name: threads.submit(measured_and_compared, labs[name], tmp_path / name, rates)
            for name, rates in RATES_MBPS.items()
        }
        faster, equal = (running[name].result() for name in RATES_MBPS)
    assert faster["verdict"] == "b_faster"
    assert faster["ratio_low"] <= 48 / 40 <= faster["ratio_high"]
    assert equal["verdict"] == "no_practical_difference"
    assert equal["ratio_low"] <= 1 <= equal["ratio_high"]
    for comparison in (faster, equal):
        assert (comparison["n_a"], comparison["n_b"]) == (TURNS, TURNS)
        assert comparison["interleaved"] is True
        # The spread of a bucket is below the resolution that the statistics allow any measurement: the interval is
        # that of the SD floor of 0.01 (docs/method.md), with t(0.975, 6 degrees of freedom) = 2.447 (Student's table).
        assert max(comparison["side_a"]["cv"], comparison["side_b"]["cv"]) < 0.01
        half = (comparison["ratio_high"] / comparison["ratio_low"]) ** 0.5
        assert half == pytest.approx(2.718281828 ** (2.447 * 0.01 * (2 / TURNS) ** 0.5), abs=2e-5)
