"""Every file in the recipes of docs/switching.md is one that `sitetest plan` takes, and every recipe alternates."""

import re
import shlex
from collections import Counter
from pathlib import Path

import pytest

from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import make_plan
from sitetest.visit.switch import CommandSwitch

RECIPE = re.compile(r"^## (\d+\. .+)$", re.MULTILINE)
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FILE = re.compile(r"# (profiles/[a-z-]+\.toml)\n")


def recipes() -> dict[str, str]:
    page = (Path(__file__).parents[2] / "docs" / "switching.md").read_text(encoding="utf-8")
    parts = RECIPE.split(page)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def write_files(text: str, folder: Path) -> list[str]:
    """Write each TOML block where its first line says; return the names of the profiles that can be run."""
    (folder / "profiles").mkdir()
    runnable = []
    for language, content in BLOCK.findall(text):
        if language != "toml":
            continue
        named = FILE.match(content)
        assert named, content
        file = folder / named[1]
        assert not file.exists()
        file.write_text(content, encoding="utf-8")
        if file.stem != "site" and "location" in content:
            runnable.append(file.stem)
    return runnable


def test_there_are_recipes_for_people_and_for_every_system() -> None:
    page = "".join(recipes().values())
    for program in ("nmcli", "wpa_cli", "networksetup", "netsh", "ssh"):
        assert program in page


@pytest.mark.parametrize("name", recipes())
def test_the_files_of_a_recipe_are_valid_and_alternate(name: str, tmp_path: Path) -> None:
    runnable = write_files(recipes()[name], tmp_path)
    site = load_site(tmp_path)
    assert runnable
    for profile_name in runnable:
        plan = make_plan(site, load_profile(tmp_path, profile_name), seed=1)
        turns = Counter(turn.ap_config for turn in plan.turns)
        assert len(turns) == 2
        assert min(turns.values()) >= 4
    commands = {config.name: config.apply for config in site.ap_configs if config.apply}
    assert len(commands) in (0, 2)
    assert set(CommandSwitch(commands).commands) == set(commands)
    for command in commands.values():
        assert not set(shlex.join(command)) & set("|&;<>$`")  # nothing that only a shell would understand


@pytest.mark.parametrize("name", recipes())
def test_a_recipe_says_what_to_check(name: str) -> None:
    assert "\nCheck: " in recipes()[name] or " Check: " in recipes()[name]
