"""``python -m sitetest_server``: the same as the command ``sitetest-server``."""

from sitetest_server.main import run

run()
