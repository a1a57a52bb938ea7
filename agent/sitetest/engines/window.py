"""The measuring window and the figure of record: one rule for both engines and both directions.

    goodput = bytes that reached the receiver inside the window / length of the window

The window starts when the last stream has its first byte and the warm-up is over, and ends ``duration_s`` later or at
the common stop (the last sample in which every stream was still counted), whichever comes first. Everything is read
from the receiver's own samples on the receiver's own clock; the two ends' clocks are never compared.

              first byte of         warm-up       measured
              the last stream        over
    ----|---------|--------------------|--------------------------|---> receiver's clock
     stream 1   stream N             start                       end

Pure: no clock, no I/O. May import the standard library and this package only.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from sitetest_wire.samples import Sample
from sitetest_wire.units import mbps


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of the receiver's clock, in seconds; ``end_s`` is above ``start_s``."""

    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not self.end_s > self.start_s:
            raise ValueError(f"a window must have a length: {self.start_s} to {self.end_s}")

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Second:
    """One whole second inside the window (the last one may be shorter).

    index: 0 for the first second of the window.
    start_s: on the receiver's clock, from its start of the transfer.
    length_s: 1.0 but for the last second of the window.
    stream_bytes: bytes received in this second, one entry a stream.
    """

    index: int
    start_s: float
    length_s: float
    stream_bytes: tuple[float, ...]

    @property
    def throughput_mbps(self) -> float:
        """Goodput of this second, all streams together."""
        return mbps(sum(self.stream_bytes), self.length_s)


def measuring_window(samples: Sequence[Sample], streams: int, warm_up_s: float, duration_s: float) -> Window | None:
    """Cut the window out of the receiver's samples.

    samples: in order of time. streams: how many were asked for. Returns None when not every stream got a byte, or when
    the transfer ended before the warm-up was over.
    """
    started_s = _last_stream_up_s(samples, streams)
    if started_s is None:
        return None
    start_s = started_s + warm_up_s
    end_s = min(start_s + duration_s, samples[-1].at_s)
    return Window(start_s, end_s) if end_s > start_s else None


def counts_at(samples: Sequence[Sample], at_s: float) -> tuple[float, ...]:
    """Return each stream's cumulative bytes at an instant, on a straight line between the samples around it.

    Before the first sample the counts are those of the first one, after the last those of the last one. Streams that
    were not up yet count 0. Raises ValueError without samples.
    """
    if not samples:
        raise ValueError("no samples")
    width = max(len(sample.stream_bytes) for sample in samples)
    after = bisect_right(samples, at_s, key=lambda sample: sample.at_s)
    right = samples[min(after, len(samples) - 1)]
    left = samples[max(after - 1, 0)]
    gap_s = right.at_s - left.at_s
    share = (at_s - left.at_s) / gap_s if gap_s > 0 else 0.0
    return tuple(
        before + (now - before) * share for before, now in zip(_padded(left, width), _padded(right, width), strict=True)
    )


def received_in(samples: Sequence[Sample], window: Window) -> float:
    """Return the bytes received inside the window, all streams together."""
    return sum(counts_at(samples, window.end_s)) - sum(counts_at(samples, window.start_s))


def goodput_mbps(samples: Sequence[Sample], window: Window) -> float:
    """Return the figure of record in Mbit/s."""
    return mbps(received_in(samples, window), window.length_s)


def seconds_of(samples: Sequence[Sample], window: Window) -> tuple[Second, ...]:
    """Cut the window into seconds. Their bytes add up to :func:`received_in`."""
    edges = [window.start_s]
    while edges[-1] + 1.0 < window.end_s:
        edges.append(edges[-1] + 1.0)
    edges.append(window.end_s)
    counts = [counts_at(samples, edge) for edge in edges]
    return tuple(
        Second(
            index=index,
            start_s=start_s,
            length_s=end_s - start_s,
            stream_bytes=tuple(now - before for before, now in zip(counts[index], counts[index + 1], strict=True)),
        )
        for index, (start_s, end_s) in enumerate(pairwise(edges))
    )


def longest_stall_s(samples: Sequence[Sample]) -> float:
    """Return the longest stretch, in seconds, in which no byte arrived on any stream; 0 with fewer than two samples."""
    longest_s = 0.0
    moved_at_s = samples[0].at_s if samples else 0.0
    for before, now in pairwise(samples):
        if now.total_bytes > before.total_bytes:
            moved_at_s = now.at_s
        longest_s = max(longest_s, now.at_s - moved_at_s)
    return longest_s


def _last_stream_up_s(samples: Sequence[Sample], streams: int) -> float | None:
    for sample in samples:
        if len(sample.stream_bytes) >= streams and all(count > 0 for count in sample.stream_bytes):
            return sample.at_s
    return None


def _padded(sample: Sample, width: int) -> tuple[int, ...]:
    return sample.stream_bytes + (0,) * (width - len(sample.stream_bytes))
