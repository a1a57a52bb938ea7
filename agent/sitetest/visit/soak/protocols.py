"""What the soak's conductor needs from the rest of the house, beyond what a visit needs (`visit/protocols.py`).

May import store.records, observe.watch.seen (facts), visit.protocols and the standard library only.
"""

from collections.abc import Callable, Sequence
from typing import Protocol

from sitetest.observe.watch.seen import Seen
from sitetest.store.records import WatchSecondRecord
from sitetest.visit.protocols import Keeper


class PathWatch(Protocol):
    """Keeps watch over the path and the link. The real one is :class:`sitetest.observe.watch.path_watch.PathWatch`."""

    @property
    def up(self) -> bool | None:
        """Whether the path answers now; None while there is nobody to ask."""

    async def run(self, tell: Callable[[Seen], None]) -> None:
        """Watch until cancelled; then let go of everything within a second. ``tell`` is called from the event loop, in
        order of time, and must return at once. Never raises for anything that the network or the server does."""


class SoakKeeper(Keeper, Protocol):
    """A keeper that takes the seconds of the watch as well. The real one is the store."""

    def add_watch_seconds(self, visit_id: str, seconds: Sequence[WatchSecondRecord]) -> None:
        """Keep seconds, in one transaction. Raises StoreFull, and has then changed nothing."""

    def has_room(self) -> bool:
        """Whether a test could be kept now: takes the reserve back when there is room for it. Cheap enough to ask
        before every test."""


class Whereabouts(Protocol):
    """Knows how to find a server that has moved to another address."""

    async def find_again(self) -> str | None:
        """Look for the server under its identity; return its new address when it has one and everybody has been told
        to use it, else None. Takes some seconds; asked now and then while nothing answers."""
