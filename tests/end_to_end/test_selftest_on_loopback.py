"""``sitetest selftest`` as a process of its own, against a server that paces its payload."""

from pathlib import Path

import pytest
from loopback_site import loopback_site
from paced_server import DOWNLOAD_MBPS, paced_server
from sitetest_process import document, run_agent

from sitetest.store.reading import StoreReader, store_path

pytestmark = pytest.mark.slow


def test_a_self_test_measures_keeps_and_tells(tmp_path: Path) -> None:
    with paced_server(tmp_path / "server") as server:
        site = loopback_site(tmp_path / "site", server.url)
        profile = site / "profiles" / "basement.toml"
        profile.write_text(profile.read_text().replace("[matrix]", '[matrix]\ndirections = ["download"]'))
        done = run_agent(
            tmp_path, "selftest", "-p", "basement", "--site", str(site), "--yes", "--seed", "4", "--json",
            token=server.token,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = document(done.stdout)
    assert (told["command"], told["outcome"]) == ("selftest", "complete")
    answer = told["self_test"]
    assert answer["simulated"]
    (case,) = answer["cases"]
    assert (case["n_a"], case["n_b"], case["false_difference"]) == (4, 4, False)
    assert case["ratio_low"] <= 1 <= case["ratio_high"]
    with StoreReader.read_only(store_path(site)) as store:
        (visit,) = store.visits()
        attempts = store.attempts(visit.visit_id)
    assert visit.profile == "selftest/basement"
    assert [record.throughput_mbps for record in attempts] == pytest.approx([DOWNLOAD_MBPS] * 8, rel=0.05)
    refused = run_agent(tmp_path, "compare", "auto", "wide80", "--site", str(site))
    assert refused.returncode == 2
    assert "self-tests only" in refused.stderr
