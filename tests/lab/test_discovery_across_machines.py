"""A server is found from another machine on a network of its own, where neither end has a default route."""

import time
from pathlib import Path

import pytest
from lab_network import LAPTOP, LabNetwork
from server_process import server_process

from sitetest.engines.discovery import find_servers

pytestmark = [pytest.mark.lab, pytest.mark.slow]

LIMIT_S = 20.0


def test_an_announced_server_is_found_with_its_address(lab: LabNetwork, tmp_path: Path) -> None:
    """Multicast DNS (RFC 6762) over the link itself: a site may be a switch and nothing else."""
    prefix = ("ip", "netns", "exec", lab._namespace("server"))
    with server_process(tmp_path, bind="::", command_prefix=prefix, announce=True) as server:
        until_s = time.monotonic() + LIMIT_S
        found = lab.run_in(LAPTOP, lambda: find_servers(2.0))
        while not found and time.monotonic() < until_s:
            found = lab.run_in(LAPTOP, lambda: find_servers(2.0))
    assert [(one.server_id, one.port) for one in found] == [(server.server_id, server.port)]
    assert lab.address("server") in found[0].addresses
