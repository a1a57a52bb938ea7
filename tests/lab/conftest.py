"""Gives the tests of this directory the lab's networks; skips them with the reason where no lab can be built."""

from lab_network import lab, make_lab
from system_requirements import pytest_runtest_setup

__all__ = ["lab", "make_lab", "pytest_runtest_setup"]
