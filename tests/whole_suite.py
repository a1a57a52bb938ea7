"""The whole suite in sessions, so that no core stands idle and nothing disturbs a measurement.

    what computes     two beside each other: pure tests, sockets on loopback, the command line
    what waits        three: real programs that are killed, run out of disk, or run to their end
    faults            two: networks of the lab that are cut, and servers that vanish
    truth             alone: the lab where the kernel's token bucket is the truth, and every lab test that is not
                      named as one that may run beside another

Only a plain `pytest` does that; with any argument it is one session as ever. The exit code is that of the first session
that failed. May import pytest and the standard library.
"""

import subprocess
import sys
from importlib.util import find_spec

import pytest

TWO_BESIDE = ("-n", "2", "--dist", "worksteal")
ONE_BY_ONE = ("--dist", "load", "--maxschedchunk", "1")
"""For a few long tests: each goes to the worker that is free."""

FAULTS = tuple(
    f"tests/lab/test_{name}.py"
    for name in (
        "discovery_across_machines",
        "http_faults",
        "iperf3_faults",
        "lab_network",
        "server_vanished_agent",
        "store_on_hard_disks",
    )
)
SESSIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("what computes", (*TWO_BESIDE, "tests", *(f"--ignore=tests/{name}" for name in ("lab", "crash", "end_to_end")))),
    ("what waits", ("-n", "3", *ONE_BY_ONE, "tests/crash", "tests/end_to_end")),
    ("faults", ("-n", "2", *ONE_BY_ONE, *FAULTS)),
    ("truth", ("tests/lab", *(f"--ignore={name}" for name in FAULTS))),
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
