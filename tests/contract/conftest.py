"""Skips tests with a marker whose needs are not met here, with the reason."""

from system_requirements import pytest_runtest_setup

__all__ = ["pytest_runtest_setup"]
