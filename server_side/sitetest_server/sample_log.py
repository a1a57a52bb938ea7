"""What the server's end of one lease saw, kept so that a reader who comes late gets all of it from the start.

May import sitetest_wire and the standard library only.
"""

import asyncio
from collections.abc import AsyncIterator

from sitetest_wire.messages import EndLine
from sitetest_wire.samples import Sample


class SampleLog:
    """Samples in order of time, closed by one end line. Written by one task, followed by any number."""

    def __init__(self) -> None:
        self._samples: list[Sample] = []
        self._end: EndLine | None = None
        self._news = asyncio.Event()

    @property
    def closed(self) -> bool:
        """Whether the end line is there."""
        return self._end is not None

    @property
    def moved_bytes(self) -> int:
        """Payload bytes by the last sample."""
        return self._samples[-1].total_bytes if self._samples else 0

    def append(self, sample: Sample) -> None:
        """Add a sample; one that comes after the end line is dropped."""
        if self._end is None:
            self._samples.append(sample)
            self._wake()

    def close(self, end: EndLine) -> None:
        """Add the end line; only the first one counts."""
        if self._end is None:
            self._end = end
            self._wake()

    async def follow(self) -> AsyncIterator[Sample | EndLine]:
        """Yield every sample from the first on, live, then the end line."""
        position = 0
        while True:
            news = self._news
            while position < len(self._samples):
                yield self._samples[position]
                position += 1
            if self._end is not None:
                yield self._end
                return
            if position == len(self._samples):
                await news.wait()

    def _wake(self) -> None:
        self._news.set()
        self._news = asyncio.Event()
