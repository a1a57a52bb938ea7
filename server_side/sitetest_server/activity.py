"""What an active lease holds: the server's end of one transfer, of whichever engine.

May import sitetest_wire and the standard library only.
"""

from typing import Protocol

from sitetest_server.sample_log import SampleLog


class Activity(Protocol):
    """Made when a lease becomes active, ended with it."""

    log: SampleLog

    @property
    def iperf3_port(self) -> int | None:
        """TCP port of the iperf3 host; None for other engines."""

    async def ready(self) -> None:
        """Wait until the agent may connect. Raises HostError."""

    def end(self, problem: str | None) -> None:
        """Begin to end whatever is left, at once. problem: what the end line is to say; None when all is well."""

    async def closed(self) -> None:
        """Wait until nothing is left of it."""
