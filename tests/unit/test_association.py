"""Asking the system for a fresh association, with stand-ins for its tools on PATH and a sysfs of our own."""

import os
from pathlib import Path

import pytest

from sitetest.visit.association import FRESH, NOT_POSSIBLE, NOT_WIFI, reassociate

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-ins are shell scripts")

UUID = "0b6f6c2e-0000-4000-8000-000000000001"


@pytest.fixture
def sysfs(tmp_path: Path) -> Path:
    """wlan0 is a Wi-Fi interface, eth0 is none."""
    (tmp_path / "sys" / "wlan0" / "phy80211").mkdir(parents=True)
    (tmp_path / "sys" / "eth0").mkdir()
    return tmp_path / "sys"


class Tools:
    """A PATH with nothing but what a test puts there. Every call is written down."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._log = folder / "log"

    def add(self, name: str, body: str) -> None:
        script = self._folder / name
        script.write_text(f'#!/bin/sh\necho "{name} $*" >> "{self._log}"\n{body}\n')
        script.chmod(0o755)

    @property
    def calls(self) -> list[str]:
        return self._log.read_text().splitlines() if self._log.exists() else []


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tools:
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return Tools(folder)


NMCLI = f'case "$1" in -g) echo {UUID};; esac'


async def ask(interface: str | None, sysfs: Path, platform: str = "linux") -> str:
    return await reassociate(interface, platform=platform, sysfs_net=sysfs)


async def test_network_manager_brings_the_connection_of_the_interface_up_again(sysfs: Path, tools: Tools) -> None:
    """By its UUID, since names may be ambiguous, and on that interface."""
    tools.add("nmcli", NMCLI)
    assert await ask("wlan0", sysfs) == FRESH
    assert tools.calls == [
        "nmcli -g GENERAL.CON-UUID device show wlan0",
        f"nmcli --wait 45 connection up uuid {UUID} ifname wlan0",
    ]


async def test_without_network_manager_wpa_supplicant_is_asked(sysfs: Path, tools: Tools) -> None:
    """It answers OK on its last line."""
    tools.add("wpa_cli", "echo OK")
    assert await ask("wlan0", sysfs) == FRESH
    assert tools.calls == ["wpa_cli -i wlan0 reassociate"]


@pytest.mark.parametrize(
    "nmcli",
    [
        "exit 10",  # does not run
        "true",  # the interface is not its own: no connection
        f'case "$1" in -g) echo {UUID};; *) exit 4;; esac',  # activation fails
    ],
)
async def test_when_network_manager_cannot_wpa_supplicant_is_asked(sysfs: Path, tools: Tools, nmcli: str) -> None:
    """Both may be installed, and only one in charge."""
    tools.add("nmcli", nmcli)
    tools.add("wpa_cli", "echo OK")
    assert await ask("wlan0", sysfs) == FRESH
    assert tools.calls[-1] == "wpa_cli -i wlan0 reassociate"


@pytest.mark.parametrize("wpa_cli", ["echo FAIL", "exit 255", "echo 'Failed to connect'; exit 255"])
async def test_a_refusal_is_not_a_fresh_association(sysfs: Path, tools: Tools, wpa_cli: str) -> None:
    """wpa_cli says FAIL with exit code 0."""
    tools.add("wpa_cli", wpa_cli)
    assert await ask("wlan0", sysfs) == NOT_POSSIBLE


async def test_a_cable_is_not_wifi_and_nothing_is_run(sysfs: Path, tools: Tools) -> None:
    """There is nothing to associate."""
    tools.add("nmcli", NMCLI)
    assert await ask("eth0", sysfs) == NOT_WIFI
    assert tools.calls == []


@pytest.mark.parametrize(
    ("interface", "platform"), [("wlan0", "darwin"), ("wlan0", "win32"), (None, "linux"), ("x", "linux")]
)
async def test_where_the_system_gives_no_way_nothing_is_run(
    sysfs: Path, tools: Tools, interface: str | None, platform: str
) -> None:
    """Said as it is: not possible."""
    tools.add("nmcli", NMCLI)
    assert await ask(interface, sysfs, platform) == NOT_POSSIBLE
    assert tools.calls == []


async def test_without_any_tool_it_is_not_possible(sysfs: Path, tools: Tools) -> None:
    """A bare system."""
    assert await ask("wlan0", sysfs) == NOT_POSSIBLE
