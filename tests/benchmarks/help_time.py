"""Prints the time of ``sitetest --help`` as a multiple of ``python -c "import typer"``, run in turn.

    python tests/benchmarks/help_time.py [ROUNDS]

Aim: <= 1.5.
"""

import statistics
import subprocess
import sys
import time
from pathlib import Path

HELP = [str(Path(sys.executable).parent / "sitetest"), "--help"]
TYPER = [sys.executable, "-c", "import typer"]


def seconds(command: list[str]) -> float:
    """Return the wall time of one run."""
    began_s = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - began_s


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    seconds(HELP)
    seconds(TYPER)
    ratios = [seconds(HELP) / seconds(TYPER) for _ in range(rounds)]
    print(f"sitetest --help / import typer: median {statistics.median(ratios):.2f}, "
          f"smallest {min(ratios):.2f}, largest {max(ratios):.2f}   (aim <= 1.5)")  # fmt: skip


if __name__ == "__main__":
    main()
