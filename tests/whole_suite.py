"""The whole suite in three sessions, so that no core stands idle and nothing disturbs a measurement.

    beside each other    what computes: pure tests, sockets on loopback, the command line
    beside each other    what mostly waits: real programs that are killed, run out of disk, or run to their end
    alone                the lab, where the kernel's token bucket is the truth: nothing else may run then

Only a plain `pytest` does that; with any argument it is one session as ever. The exit code is that of the first session
that failed. May import pytest and the standard library.
"""

import subprocess
import sys
from importlib.util import find_spec

import pytest

BESIDE = ("-n", "2", "--dist", "worksteal")
SESSIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("what computes", (*BESIDE, "tests", "--ignore=tests/lab", "--ignore=tests/crash", "--ignore=tests/end_to_end")),
    ("what waits", (*BESIDE, "tests/end_to_end", "tests/crash")),
    ("the lab, alone", ("tests/lab",)),
)


def is_whole(config: pytest.Config) -> bool:
    """Whether nothing but `pytest` was typed, and the sessions can be had."""
    return not config.invocation_params.args and find_spec("xdist") is not None


def run_all(config: pytest.Config) -> int:
    """Run the sessions one after the other, all of them, and return the first exit code that is not 0."""
    codes = []
    for number, (name, arguments) in enumerate(SESSIONS, start=1):
        print(f"\n=== session {number} of {len(SESSIONS)}: {name} ===", flush=True)  # noqa: T201
        codes.append(subprocess.call([sys.executable, "-m", "pytest", *arguments], cwd=config.rootpath))
    failed = [code for code in codes if code]
    print(f"\n=== {len(SESSIONS)} sessions, {len(failed)} failed ===", flush=True)  # noqa: T201
    return failed[0] if failed else 0
