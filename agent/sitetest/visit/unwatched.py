"""A watch over a transfer that nobody looks at: takes no notice of anything.

May import engines.base, sitetest_wire and the standard library only.
"""

from sitetest.engines.base import Reflector
from sitetest_wire.samples import Sample


class Unwatched:
    """See :class:`sitetest.engines.base.Watch`; one that looks at a part of it extends this."""

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:
        """Pass over the place in the queue."""

    def started(self) -> None:
        """Pass over the begin."""

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Ask for no round trips, and hold up nothing."""

    def sample(self, sample: Sample) -> None:
        """Show nothing."""

    async def idle_after(self) -> None:
        """Ask for no round trips, and hold up nothing."""
