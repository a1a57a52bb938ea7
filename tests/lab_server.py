"""A test server in the lab's server namespace. May import test support modules and the standard library only."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lab_network import LabNetwork
from server_process import ServerProcess, server_process


@contextmanager
def lab_server(lab: LabNetwork, folder: Path, *options: str, peer: str = "server") -> Iterator[ServerProcess]:
    """Start a server that listens on the peer's address, and stop it at the end."""
    prefix = ("ip", "netns", "exec", lab._namespace(peer))
    with server_process(folder, *options, bind=lab.address(peer), command_prefix=prefix) as server:
        yield server
