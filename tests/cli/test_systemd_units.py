"""The systemd units of the documentation: what systemd says of them, and whether the commands take what they give."""

import os
import re
import shlex
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
import typer.main

from sitetest.cli.main import app
from sitetest_server.main import _CLI as SERVER

FOLDER = Path(__file__).parents[2] / "docs" / "systemd"
UNITS = sorted(path.name for path in FOLDER.iterdir())
SERVICES = [name for name in UNITS if name.endswith(".service")]
PROFILE = "reading-room"  # a dash, which systemd unescapes to a slash where %I is written for %i


def settings(name: str) -> dict[str, list[str]]:
    """Read a unit: section.key -> its values, as systemd.syntax(7) has it, without continued lines."""
    found: dict[str, list[str]] = defaultdict(list)
    section = ""
    for line in (FOLDER / name).read_text(encoding="utf-8").splitlines():
        assert not line.endswith("\\"), "a continued line is not read here"
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found[f"{section}.{key}"].append(value)
    return found


def instance(name: str) -> str:
    return name.replace("@.", f"@{PROFILE}.")


def command_of(words: list[str]) -> tuple[Any, list[str]]:
    """Return the command that a command line runs, as typer makes it, and the words that are left for it."""
    program = Path(words[0]).name
    if program == "sitetest-server":
        return typer.main.get_command(SERVER), words[1:]
    assert program == "sitetest"
    group: Any = typer.main.get_command(app)
    if words[1] not in group.commands:
        pytest.skip(f"this sitetest has no command {words[1]!r}")
    return group.commands[words[1]], words[2:]


@pytest.mark.parametrize("name", SERVICES)
def test_the_command_takes_every_option_that_it_is_given(name: str) -> None:
    """Parsed by the command's own parser, and not run: an option that does not exist, or with a wrong value, raises."""
    (line,) = settings(name)["Service.ExecStart"]
    assert "$" not in line
    command, words = command_of(shlex.split(line))
    context = command.make_context(command.name, list(words))
    given = {word.removeprefix("--").replace("-", "_") for word in words if word.startswith("--")}
    assert given - {"yes", "resume"} <= {name for name, value in context.params.items() if value is not None}


@pytest.mark.parametrize("name", SERVICES)
def test_an_end_that_was_wanted_is_no_failure_and_wrong_use_is_not_tried_again(name: str) -> None:
    """Exit codes: README. 130 is what `systemctl stop` leads to."""
    unit = settings(name)
    restarts = unit["Service.Restart"] == ["on-failure"]
    forced = unit["Service.RestartForceExitStatus"]
    assert restarts or forced == ["6"]
    if restarts:
        assert unit["Service.RestartPreventExitStatus"] == ["2"]
    if "soak" in name:
        assert unit["Service.SuccessExitStatus"] == ["3 130"]
    assert unit["Service.KillMode"] == ["mixed"]


@pytest.mark.parametrize(
    ("ip", "waited"),
    [
        (None, 0),
        ("echo 192.0.2.0/24 dev wlan0 scope link", 0),
        ('[ -e "$0.asked" ] && echo default via 192.0.2.1; touch "$0.asked"', 1),
    ],
    ids=["no ip", "a route", "a route later"],
)
def test_the_server_waits_for_a_route(tmp_path: Path, ip: str | None, waited: int) -> None:
    """The command before the server, run as systemd would: $$ is its way of writing $ (systemd.service(5))."""
    (line,) = settings("sitetest-server.service")["Service.ExecStartPre"]
    _shell, option, script = shlex.split(line.replace("$$", "$"))
    stand_ins = {"sleep": 'echo x >>"$0.log"', **({} if ip is None else {"ip": ip})}
    for name, text in stand_ins.items():
        (tmp_path / name).write_text(f"#!/bin/sh\n{text}\n")
        (tmp_path / name).chmod(0o755)
    if ip is not None and "touch" in ip:
        (tmp_path / "touch").symlink_to(shutil.which("touch") or "")
    done = subprocess.run(
        ["/bin/sh", option, script],
        env={"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert (done.returncode, done.stderr) == (0, "")
    log = tmp_path / "sleep.log"
    assert (len(log.read_text().splitlines()) if log.exists() else 0) == waited


def test_units_that_units_name_are_there() -> None:
    named = [
        value.replace("%i", "")
        for name in UNITS
        for key, values in settings(name).items()
        if key == "Unit.OnFailure"
        for value in values
    ]
    assert named == ["sitetest-soak-resume@.service"]
    assert set(named) <= set(UNITS)
    assert {name.replace(".timer", ".service") for name in UNITS if name.endswith(".timer")} <= set(UNITS)


def test_a_profile_with_a_dash_in_its_name_keeps_it() -> None:
    for name in UNITS:
        assert "%I" not in (FOLDER / name).read_text(encoding="utf-8")


def test_no_secret_stands_in_a_command_line() -> None:
    for name in SERVICES:
        unit = settings(name)
        assert "token" not in unit["Service.ExecStart"][0]
        assert unit["Service.EnvironmentFile"]


@pytest.fixture
def verify(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> "subprocess.CompletedProcess[str]":
    """Install the units as the documentation says, with stand-ins for the programs, and have systemd look at them."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("this machine has no systemd-analyze")
    home, runtime = tmp_path / "home", tmp_path / "runtime"
    programs, units = home / ".local" / "bin", home / ".config" / "systemd" / "user"
    for folder in (runtime, programs, units, home / "my-site"):
        folder.mkdir(parents=True)
    for program in ("sitetest", "sitetest-server"):
        (programs / program).write_text("#!/bin/sh\n")
        (programs / program).chmod(0o755)
    for name in UNITS:
        shutil.copy(FOLDER / name, units / name)
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "XDG_RUNTIME_DIR": str(runtime), "LC_ALL": "C"}
    return subprocess.run(
        ["systemd-analyze", "--user", "--man=no", "verify", *(str(units / instance(name)) for name in UNITS)],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
        timeout=60,
    )


def test_systemd_finds_nothing_wrong_with_them(verify: "subprocess.CompletedProcess[str]") -> None:
    assert (verify.returncode, verify.stdout, verify.stderr) == (0, "", "")


def test_the_documentation_tells_of_every_unit() -> None:
    text = (FOLDER.parent / "soak.md").read_text(encoding="utf-8")
    for name in UNITS:
        assert f"(systemd/{name})" in text
    started = set(re.findall(r"(sitetest-[\w-]+)(?:@[\w-]+)?(\.service|\.timer)", text))
    assert {(name.replace("@", "").split(".")[0], f".{name.split('.')[1]}") for name in UNITS} >= started
