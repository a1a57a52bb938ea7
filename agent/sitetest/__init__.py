"""sitetest: scripted throughput tests for whoever installs and looks after Wi-Fi."""

from importlib.metadata import version

__version__ = version("sitetest")
