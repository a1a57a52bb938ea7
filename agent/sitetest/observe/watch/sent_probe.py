"""One probe of the watch, from its sending until it is decided, and then forgotten.

Pure. May import observe.watch and the standard library only.
"""

from dataclasses import dataclass

from sitetest.observe.watch.seconds import OpenSecond


@dataclass(slots=True)
class SentProbe:
    """One probe. at_s: monotonic; watched_s: on :class:`WatchedTime`. reflector: counts the reflectors asked so far.
    lost: decided, unanswered. void: it proves nothing. no_route, refused, no_association: what was seen after it was
    sent and before the next. second: that it was sent in."""

    number: int
    at_s: float
    unix_s: float
    watched_s: float
    reflector: int
    second: OpenSecond
    answered: bool = False
    lost: bool = False
    void: bool = False
    rtt_ms: float | None = None
    no_route: bool = False
    refused: bool = False
    no_association: bool = False
