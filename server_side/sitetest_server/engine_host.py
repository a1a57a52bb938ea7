"""The shape of whatever serves one engine's end of a transfer outside the HTTP application.

The application knows the iperf3 host by this protocol only, so that it can be tested without libiperf. May import
sitetest_wire and the standard library only.
"""

from collections.abc import Callable
from typing import Protocol

from sitetest_wire.messages import EndLine, EngineOffer, LeaseRequest
from sitetest_wire.samples import Sample


class HostError(Exception):
    """The host could not be started; the message is a sentence for whoever asked for the lease."""


class HostRun(Protocol):
    """One started host, serving one lease."""

    @property
    def port(self) -> int:
        """TCP port on which it listens."""

    @property
    def local_address(self) -> str | None:
        """The server's address of the payload connections; None before they are up."""

    async def finished(self) -> EndLine:
        """Wait for the end of the transfer, or of the host, and tell what there is to tell."""

    async def kill(self) -> None:
        """End it at once. Does nothing when it has ended already."""


class EngineHost(Protocol):
    """Starts one host a lease."""

    def offer(self) -> EngineOffer:
        """Say whether the engine can be served here. Never raises for something that is merely missing."""

    async def start(
        self, request: LeaseRequest, on_sample: Callable[[Sample], None], *, only_from: str | None = None
    ) -> HostRun:
        """Start a host and return once it listens. only_from: the address that may connect; None for any.

        Raises HostError.
        """
