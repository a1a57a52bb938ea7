"""The reader for where nothing can be read: another system, a library that is missing, a test over the cable.

May import its neighbours only.
"""

import sys
import time
from collections.abc import Mapping
from dataclasses import fields

from sitetest.observe.link.draft import empty_facts, empty_sample
from sitetest.observe.link.reader import Clock
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import SAMPLE_FACTS, LinkFacts, LinkSample, Moment, Source, SourceKind

SAMPLE_FIELDS = tuple(field.name for field in fields(LinkSample) if field.name not in SAMPLE_FACTS)
"""Every field of a sample that may be null."""


class NoReader:
    """Says of everything why it is not known. explanation: the same in words, for people; may be empty."""

    kind = SourceKind.LIVE
    name = "none"

    def __init__(
        self,
        reason: Reason = Reason.READER_UNAVAILABLE,
        explanation: str = "",
        clock: Clock = time.monotonic,
        os: str = sys.platform,
    ) -> None:
        self.reason = reason
        self.explanation = explanation
        self._clock = clock
        self._source = Source(self.kind, self.name, os)

    def capabilities(self) -> Mapping[str, Reason | None]:
        """Nothing but the name of the interface."""
        return {name: None if name == "interface" else self.reason for name in SAMPLE_FIELDS}

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:  # noqa: ARG002  the protocol's signature
        """Return facts in which everything is null."""
        return empty_facts(self._moment(interface), self.reason)

    def sample(self, interface: str, deadline_s: float) -> LinkSample:  # noqa: ARG002  the protocol's signature
        """Return a sample in which everything is null."""
        return empty_sample(self._moment(interface), self.reason)

    def events(self, interface: str) -> None:
        """There are none."""

    def close(self) -> None:
        """Nothing is held."""

    def _moment(self, interface: str) -> Moment:
        now_s = self._clock()
        return Moment(self._source, interface, now_s, now_s)
