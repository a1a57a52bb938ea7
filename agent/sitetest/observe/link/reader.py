"""What every link reader can do, so that nobody asks which one they hold.

May import the standard library and its neighbours only.
"""

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from sitetest.observe.link.events import EventSource
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, SourceKind

Clock = Callable[[], float]
"""A monotonic clock, in seconds."""

Observation = dict[str, Any]
"""What a system answered, as JSON types in the shape that its decoder documents. `{"malformed": true}` stands for an
attribute that was damaged."""


MALFORMED = {"malformed": True}
"""Stands in an observation for an attribute that came damaged."""


class LinkReader(Protocol):
    """Reads the link. Not safe to share between threads. A reader never scans and never changes a setting."""

    kind: SourceKind
    name: str

    def capabilities(self) -> Mapping[str, Reason | None]:
        """Say for every field of a sample whether this reader can tell it (None) or why not, before trying."""

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        """Read the slow facts. Never raises. May take until ``deadline_s`` (on the reader's clock), so never during a
        transfer."""

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        """Read the link now. Never raises: whatever goes wrong is a reason in the record. Gives up at ``deadline_s``
        where the system lets it."""

    def events(self, interface: str) -> EventSource | None:
        """Return a source of events, None where the system has none that could be had."""

    def close(self) -> None:
        """Give up what the reader holds. May be called twice."""


class ObservingReader(LinkReader, Protocol):
    """A reader of a live system, which can also hand over what the system answered before decoding."""

    def observe(self, interface: str, deadline_s: float) -> Observation:
        """Ask the system and return its answer undecoded. Never raises."""

    def observe_facts(self, interface: str, deadline_s: float) -> Observation:
        """Ask for the slow facts and return the answer undecoded. Never raises."""
