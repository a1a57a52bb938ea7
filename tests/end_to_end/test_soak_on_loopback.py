"""A soak as it is started by a person: real server and agent as processes, a paced link, seconds instead of hours."""

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from loopback_site import loopback_site
from paced_server import paced_server
from server_process import ServerProcess
from sitetest_process import document, run_agent, start_agent, until_said

from sitetest.cli.soak_summary import kept_nights
from sitetest.errors import Exit
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import Doing, VisitKind
from sitetest.store.soak_events import PartBegan, soak_event_of

SOAK = "[soak]\nevery_s = 2\nwarm_up_s = 0\nduration_s = 1\nmost_busy_pct = 100\nturn_min = 1\n"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    with paced_server(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture
def site(tmp_path: Path, server: ServerProcess) -> Path:
    folder = loopback_site(tmp_path / "shop", f"127.0.0.1:{server.port}")
    profile = folder / "profiles" / "basement.toml"
    text = profile.read_text().replace("[matrix]", '[matrix]\ndirections = ["download"]')
    profile.write_text(text + SOAK)
    return folder


def test_a_soak_that_is_told_to_end_keeps_all_and_goes_on_to_its_end(
    tmp_path: Path, site: Path, server: ServerProcess
) -> None:
    options = ["soak", "-p", "basement", "--site", str(site), "--yes"]
    status = tmp_path / "status.json"
    agent = start_agent(tmp_path, *options, "--rounds", "3", "--status", str(status), token=server.token)
    try:
        until_said(agent, lambda line: "soak 3 rounds" in line)
        agent.send_signal(signal.SIGTERM)
        _, said = agent.communicate(timeout=30)
    finally:
        agent.kill()
        agent.wait()
    assert agent.returncode == Exit.INTERRUPTED
    assert "all of it is kept. Go on with:\n  sitetest soak --profile basement --resume" in said
    assert json.loads(status.read_text())["state"] == "ended"

    again = run_agent(tmp_path, *options, "--resume", "--json", token=server.token)
    assert again.returncode == Exit.DONE, again.stderr
    found = document(again.stdout)
    assert (found["outcome"], found["rounds_wanted"], found["without_result"]) == ("complete", 3, [])
    assert found["tests"] >= 1

    with StoreReader.read_only(store_path(site)) as store:
        (visit,) = store.visits()
        parts = [soak_event_of(event) for event in store.events(visit.visit_id) if event.kind == PartBegan.KIND]
        seconds = list(store.watch_seconds(visit.visit_id))
        numbers = [record.order_index for record in store.attempts(visit.visit_id)]
    assert visit.kind is VisitKind.SOAK
    assert [(isinstance(one, PartBegan) and one.resumed) for one in parts] == [False, True]
    assert len(numbers) == len(set(numbers)) == found["tests"]
    assert len(seconds) >= 3
    assert sum(second.answered for second in seconds) > 0.5 * sum(second.probes for second in seconds) > 0
    assert {second.doing for second in seconds} >= {Doing.TRANSFER}

    (night,) = kept_nights(site, None).document()["nights"]
    (config,) = night["ap_configs"]
    assert [case["direction"] for case in config["cases"]] == ["download"]
    assert config["cases"][0]["throughput_mbps"]["p50"] == pytest.approx(120, rel=0.2), "the rate of the paced link"


def test_nobody_who_agrees_is_a_no(tmp_path: Path, site: Path, server: ServerProcess) -> None:
    done = run_agent(tmp_path, "soak", "-p", "basement", "--site", str(site), "--for", "1h", token=server.token)
    assert done.returncode == Exit.WRONG_USE
    assert "It goes on by itself and asks nothing more. Begin? [y/N]" in done.stderr
    assert "nobody agreed to the soak" in done.stderr
    with StoreReader.read_only(store_path(site)) as store:
        assert store.visits() == []
