"""What the network answered right after an attempt went wrong, and what that makes of the attempt.

Facts only; the verdict over them is in `validity.py`. Pure. May import the standard library only.
"""

from dataclasses import dataclass
from enum import StrEnum


class Answer(StrEnum):
    """An answer of the network. ``UNKNOWN``: this system, or this path, gives no way of asking."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """link: the interface that carries the test is up and associated. gateway: the first hop answers; UNKNOWN when the
    server is on the laptop's own subnet. host: the server's machine answers; NO: nothing comes from it; UNKNOWN also
    when it takes a connection at the server's port and the API stays silent: a hung server and a path too slow for an
    answer look the same. server: the test server's API answers. interface: its name, None when not known. neighbour:
    where no gateway is on the way, the default gateway of that interface answers: a host beside the server."""

    link: Answer
    gateway: Answer
    host: Answer
    server: Answer
    interface: str | None = None
    neighbour: Answer = Answer.UNKNOWN


@dataclass(frozen=True, slots=True)
class Route:
    """Which way packets to a server leave the laptop. interface: its name, None when the address belongs to none that
    this system lists. local_address: the source address that the system would use."""

    interface: str | None
    local_address: str
