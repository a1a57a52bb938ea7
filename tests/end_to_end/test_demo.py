"""``sitetest demo`` when it is not let run to its end (test_demo_to_its_end.py lets it)."""

import signal
from pathlib import Path

import pytest
from demo_processes import servers_of
from sitetest_process import run_agent, start_agent, until_said

pytestmark = [pytest.mark.slow, pytest.mark.timeout(150)]


def test_ctrl_c_ends_the_demo_and_its_server(tmp_path: Path) -> None:
    site = tmp_path / "shop"
    agent = start_agent(tmp_path, "demo", "--site", str(site))
    try:
        until_said(agent, lambda line: line.startswith("1/24 "))
        assert servers_of(site)
        agent.send_signal(signal.SIGINT)
        out, err = agent.communicate(timeout=15)
    finally:
        if agent.poll() is None:
            agent.kill()
    assert agent.returncode == 130
    assert "simulated" in out
    assert "Traceback" not in err
    assert servers_of(site) == []


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / "notes.txt").write_text("mine", encoding="utf-8")
    done = run_agent(tmp_path, "demo", "--site", str(tmp_path / "shop"))
    assert done.returncode == 2
    assert "not empty" in done.stderr
    assert [file.name for file in (tmp_path / "shop").iterdir()] == ["notes.txt"]
