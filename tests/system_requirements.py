"""What tests with the markers ``lab`` and ``libiperf`` need of the machine.

Where it is missing the test is skipped with the reason; `conftest.py` turns that skip into a failure when
SITETEST_REQUIRE_LAB=1, so that continuous integration cannot pass by skipping. A directory's `conftest.py` imports
:func:`pytest_runtest_setup` to have it. May import the standard library and pytest only.
"""

import ctypes
import os
import shutil
import sys

import pytest

LAB_PROGRAMS = ("ip", "tc", "ethtool")


def missing_for_lab() -> str | None:
    """Say what network namespaces would need here; None when all is there."""
    if sys.platform != "linux":
        return "network namespaces exist on Linux only"
    if os.geteuid() != 0:
        return "network namespaces need root"
    programs = [program for program in LAB_PROGRAMS if shutil.which(program) is None]
    if programs:
        return f"not installed: {', '.join(programs)} (Debian: iproute2, ethtool)"
    return None


def missing_for_libiperf() -> str | None:
    """Say that libiperf is not there; None when it loads."""
    try:
        ctypes.CDLL("libiperf.so.0" if sys.platform != "darwin" else "libiperf.dylib")
    except OSError as problem:
        return f"libiperf cannot be loaded (Debian: iperf3): {problem}"
    return None


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a marked test whose needs are not met, before its fixtures are built."""
    for marker, missing in (("lab", missing_for_lab), ("libiperf", missing_for_libiperf)):
        reason = missing() if item.get_closest_marker(marker) is not None else None
        if reason is not None:
            pytest.skip(reason)
