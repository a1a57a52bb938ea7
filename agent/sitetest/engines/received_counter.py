"""Counts payload bytes as this laptop receives them, a stream at a time.

Not thread-safe: everything runs in one event loop. May import sitetest_wire only.
"""

from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


class ReceivedCounter:
    """Cumulative bytes of each stream. max_bytes: cap on all of them together; None means no cap."""

    def __init__(self, streams: int, max_bytes: int | None = None) -> None:
        self.stream_bytes = [0] * streams
        self.total_bytes = 0
        self._max_bytes = float("inf") if max_bytes is None else max_bytes

    def add(self, stream: int, byte_count: int) -> bool:
        """Count bytes of a stream; return whether more may come under the cap."""
        self.stream_bytes[stream] += byte_count
        self.total_bytes += byte_count
        return self.total_bytes < self._max_bytes

    @property
    def capped(self) -> bool:
        """Whether the cap is reached."""
        return self.total_bytes >= self._max_bytes

    def sample(self, at_s: float) -> Sample:
        """Return the counts as a sample taken at ``at_s``, the receiver's clock since the start of the transfer."""
        return Sample(at_s, tuple(self.stream_bytes), CountedAs.RECEIVED)
