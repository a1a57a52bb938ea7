"""Who may import whom. The contracts between our own packages are in pyproject.toml; what each end may take from
outside, and what must stay out of a cold start, is checked here."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SERVER_MAY_IMPORT = {
    "sitetest_server",
    "sitetest_wire",
    "aiohttp",
    "iperf3",
    "zeroconf",
    "psutil",
    "platformdirs",
    "typer",
}
HEAVY = {
    "pandas",
    "numpy",
    "pyarrow",
    "aiohttp",
    "zeroconf",
    "pydantic",
    "scipy",
    "statsmodels",
    "ruptures",
    "matplotlib",
    "prometheus_client",
}


def imports_of(file: Path) -> set[str]:
    """Top-level names that a file imports anywhere, inside functions too."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import"
            names.add((node.module or "").split(".")[0])
    return names


def modules_of(*roots: str) -> list[str]:
    found = []
    for root in roots:
        for file in sorted((ROOT / root).rglob("*.py")):
            dotted = ".".join(file.relative_to(ROOT / root).with_suffix("").parts)
            found.append(dotted.removesuffix(".__init__"))
    return found


def test_a_run_loads_the_statistics_only_when_it_compares() -> None:
    """A soak of one AP config, or a kill and resume of it, does not wait a second for libraries that it never asks."""
    slow = ["numpy", "scipy", "pandas", "statsmodels"]
    code = f"""import sys
import sitetest.cli.visit_session, sitetest.cli.session_results, sitetest.cli.progress
print([name for name in {slow!r} if name in sys.modules])"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_contracts_between_our_packages_hold() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from importlinter.cli import lint_imports_command; lint_imports_command()",
            "--no-cache",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"Contracts: [1-9]\d* kept, 0 broken", done.stdout)


@pytest.mark.parametrize("file", sorted((ROOT / "shared").rglob("*.py")), ids=lambda file: file.name)
def test_the_wire_package_needs_the_standard_library_only(file: Path) -> None:
    assert imports_of(file) <= sys.stdlib_module_names | {"sitetest_wire"}


@pytest.mark.parametrize("file", sorted((ROOT / "server_side").rglob("*.py")), ids=lambda file: file.name)
def test_the_server_takes_little_from_outside(file: Path) -> None:
    assert imports_of(file) <= sys.stdlib_module_names | SERVER_MAY_IMPORT


def test_each_wire_module_is_used_by_both_ends() -> None:
    """A module may live in sitetest_wire only if both sides import it, directly or through another wire module."""
    wire = {file.stem: file for file in (ROOT / "shared" / "sitetest_wire").glob("*.py") if file.stem != "__init__"}

    def wire_names(files: list[Path]) -> set[str]:
        text = "\n".join(file.read_text(encoding="utf-8") for file in files)
        return {name for name in wire if re.search(rf"\bsitetest_wire(\.| import .*\b){name}\b", text)}

    for side in ("agent", "server_side"):
        used = wire_names(list((ROOT / side).rglob("*.py")))
        while more := wire_names([wire[name] for name in used]) - used:
            used |= more
        assert used == set(wire), f"{side} never uses {sorted(set(wire) - used)}"


@pytest.mark.parametrize("root", ["agent", "server_side", "shared"])
def test_source_roots_are_not_packages(root: str) -> None:
    """Nothing can be imported through a source root: outside the checkout its name leads nowhere."""
    assert not (ROOT / root / "__init__.py").exists()
    done = subprocess.run(
        [sys.executable, "-P", "-c", f"import {root}"], cwd="/", capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "ModuleNotFoundError" in done.stderr


def test_every_module_can_be_imported_alone_and_without_a_warning() -> None:
    """One fresh process a package, each module imported after all others were forgotten."""
    script = (
        "import importlib, sys\n"
        "for name in sys.argv[1:]:\n"
        "    for old in [m for m in sys.modules if m.split('.')[0].startswith('sitetest')]: del sys.modules[old]\n"
        "    importlib.import_module(name)\n"
    )
    names = [name for name in modules_of("agent", "server_side", "shared") if not name.endswith("__main__")]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, *names], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("program", ["sitetest.cli.main", "sitetest_server.main"])
def test_help_needs_no_heavy_library(program: str) -> None:
    script = f"import sys, {program}; print(','.join(sorted(m for m in sys.modules if '.' not in m)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert not HEAVY & set(done.stdout.strip().split(","))
