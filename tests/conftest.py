"""What holds for every test: its own settings folders, a clean environment, and no silent skip in CI."""

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from whole_suite import is_whole, run_all

REQUIRE_LAB = "SITETEST_REQUIRE_LAB"
"""Set to 1 where everything that the lab needs is meant to be there: a lab or libiperf test that is skipped fails."""


def pytest_cmdline_main(config: pytest.Config) -> int | None:
    """Let a plain `pytest` run the whole suite in its sessions."""
    return run_all(config) if is_whole(config) else None


@pytest.fixture(autouse=True)
def own_settings(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes the settings of whoever runs it."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("HOME", str(home))
    for name in ("CONFIG", "STATE", "DATA", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(home / name.lower()))
    for name in (
        "SITETEST_TOKEN",
        "SITETEST_INTERNET_TOKEN",
        "NO_COLOR",
        "FORCE_COLOR",
        "HTTP_PROXY",
        "HTTPS_PROXY",
        "http_proxy",
        "https_proxy",
    ):
        monkeypatch.delenv(name, raising=False)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where the lab is required."""
    report = yield
    needs_lab = item.get_closest_marker("lab") or item.get_closest_marker("libiperf")
    if report.skipped and needs_lab and os.environ.get(REQUIRE_LAB) == "1" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although {REQUIRE_LAB}=1: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def repository() -> Path:
    """The root of the checkout."""
    return Path(__file__).parents[1]
