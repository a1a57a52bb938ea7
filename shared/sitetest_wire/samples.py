"""What one end of a transfer saw at one instant, and how that travels as JSON.

A sample holds *cumulative* counts, so that a lost sample loses resolution but never bytes. Its time is the monotonic
clock of the end that took it, counted from that end's own start of the transfer; times of the two ends are never
subtracted from each other. May import the standard library only.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any

from sitetest_wire.words import CountedAs

SAMPLE_PERIOD_S = 0.1
"""How often each end takes a sample. Ten a second: fine enough to cut a window, a few hundred bytes a second each."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Counts of one end at one instant.

    at_s: seconds on the observer's monotonic clock since its start of the transfer.
    stream_bytes: payload bytes so far, one entry a stream, in the order in which the streams came up.
    counted_as: what the bytes mean.
    rtt_ms: smoothed TCP round-trip time of each stream in ms as its *sender's* kernel sees it; None where the observer
        is not the sender or the system does not tell.
    retransmits: TCP segments sent again so far, all streams together; None as for ``rtt_ms``.
    """

    at_s: float
    stream_bytes: tuple[int, ...]
    counted_as: CountedAs
    rtt_ms: tuple[float, ...] | None = None
    retransmits: int | None = None

    @property
    def total_bytes(self) -> int:
        """Payload bytes so far over all streams."""
        return sum(self.stream_bytes)

    def to_json(self) -> dict[str, Any]:
        """Return the sample as a JSON-ready mapping."""
        return {
            "at_s": self.at_s,
            "stream_bytes": list(self.stream_bytes),
            "counted_as": self.counted_as.value,
            "rtt_ms": None if self.rtt_ms is None else list(self.rtt_ms),
            "retransmits": self.retransmits,
        }

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> "Sample":
        """Read what :meth:`to_json` wrote. Raises ValueError when a key is missing, of the wrong type, or no count."""
        try:
            rtt = body.get("rtt_ms")
            retransmits = body.get("retransmits")
            sample = cls(
                at_s=float(body["at_s"]),
                stream_bytes=tuple(int(count) for count in _listed(body["stream_bytes"])),
                counted_as=CountedAs(body["counted_as"]),
                rtt_ms=None if rtt is None else tuple(float(value) for value in _listed(rtt)),
                retransmits=None if retransmits is None else int(retransmits),
            )
        except (KeyError, TypeError, OverflowError) as problem:
            raise ValueError(f"not a sample: {problem!r}") from problem
        figures = (sample.at_s, *sample.stream_bytes, *(sample.rtt_ms or ()), sample.retransmits or 0)
        if not all(isfinite(figure) and figure >= 0 for figure in figures):
            raise ValueError("not a sample: a figure in it is not finite, or below zero")
        return sample


def _listed(value: object) -> list[Any]:
    if not isinstance(value, list):
        raise TypeError(f"expected a list, found {type(value).__name__}")
    return value
