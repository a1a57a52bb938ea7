"""The gates of the code itself: types, style, and nothing that belongs to one machine."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.timeout(300)
def test_types_are_strict_over_packages_and_tests() -> None:
    done = run("mypy")
    assert done.returncode == 0, done.stdout + done.stderr


def test_style() -> None:
    done = run("ruff", "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout
    done = run("ruff", "format", "--no-cache", "--check", ".")
    assert done.returncode == 0, done.stdout


def text_files() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode != 0:
        pytest.skip("not a git checkout: there is no list of the project's own files")
    files = [ROOT / name for name in listed.stdout.split("\0") if name]
    return [file for file in files if file.is_file() and b"\0" not in file.read_bytes()[:4096]]


def test_no_path_of_one_machine_stands_in_a_file() -> None:
    pattern = re.compile(r"(?<![\w.])/(?:work|root|home/\w+|Users/\w+)/")
    own = Path(__file__).resolve()
    hits = [
        f"{file.relative_to(ROOT)}:{number}"
        for file in text_files()
        if file.resolve() != own
        for number, line in enumerate(file.read_text(encoding="utf-8", errors="replace").splitlines(), 1)
        if pattern.search(line)
    ]
    assert hits == []


def test_every_test_file_has_its_own_name() -> None:
    """Two files of one name would be one module for the type checker."""
    names = [file.name for file in (ROOT / "tests").rglob("*.py") if file.name != "conftest.py"]
    assert sorted(names) == sorted(set(names))
