"""Those who are told what happens. One that fails is logged once and told again next time; it stops nothing.

May import the standard library only.
"""

import logging
from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

T = TypeVar("T")


class Listeners(Generic[T]):
    """Tells subscribers of one kind of happening, in their order."""

    def __init__(self, subscribers: Sequence[Callable[[T], None]]) -> None:
        self._subscribers = tuple(subscribers)
        self._complained = [False] * len(self._subscribers)

    def tell(self, happening: T) -> None:
        """Tell all of them."""
        for place, subscriber in enumerate(self._subscribers):
            try:
                subscriber(happening)
            except Exception:
                if not self._complained[place]:
                    logging.getLogger(__name__).exception("a subscriber failed; the visit goes on")
                    self._complained[place] = True
