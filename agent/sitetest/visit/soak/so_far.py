"""What the earlier parts of a soak have kept, for one that goes on. May import store.records and the standard library
only."""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.store.records import AttemptRecord


@dataclass(frozen=True, slots=True)
class SoFar:
    """Read from the store. rounds, turns: the last number of each; 0: none. order_index: of the last attempt.
    moved_bytes: by all attempts; internet_moved_bytes: by those of the internet leg. first_counted: the first counted
    attempt of each case, oldest first; without them later parts are held against their own first ones."""

    rounds: int = 0
    turns: int = 0
    order_index: int = 0
    moved_bytes: int = 0
    internet_moved_bytes: int = 0
    first_counted: Sequence[AttemptRecord] = ()
