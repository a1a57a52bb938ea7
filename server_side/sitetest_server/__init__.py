"""The other end of a measurement: what runs on a wired machine."""

from importlib.metadata import version

__version__ = version("sitetest")
