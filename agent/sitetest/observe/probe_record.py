"""What the latency prober found, as facts: every probe with its phase, its round-trip time or why it has none.

Pure. May import the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """When a probe was sent: by what the link did then."""

    IDLE_BEFORE = "idle_before"
    LOADED = "loaded"
    IDLE_AFTER = "idle_after"


class Stamps(StrEnum):
    """Who took the times of a round trip. ``KERNEL_BOTH``: the kernel stamped arrival here, and the reflector states an
    error of a millisecond or less. ``KERNEL_HERE``: the kernel stamped arrival here. ``USER``: this program did."""

    KERNEL_BOTH = "kernel_both"
    KERNEL_HERE = "kernel_here"
    USER = "user"


class NoRtt(StrEnum):
    """Why a probe has no round-trip time. ``LOST`` alone counts as loss."""

    LOST = "unanswered"  # within the time allowed
    NOT_SENT = "not_sent"  # this system did not take it
    CLOCK_JUMP = "clock_jump"  # a clock was set, or the laptop slept, between sending and receiving
    BAD_REPLY = "bad_reply"  # the reflector's times contradict ours


class NoLatency(StrEnum):
    """Why a prober has nothing to say."""

    NO_SUCH_HOST = "no_such_host"
    NO_ROUTE = "no_route"
    NO_REFLECTOR = "no_reflector"  # the host refuses: nothing listens on that port
    NO_ANSWER = "no_answer"  # silence: no reflector, a firewall, or a lease that it does not know
    NOT_SAMPLED = "not_sampled"  # no probe was due yet


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe. sent_at_s: on the agent's monotonic clock. rtt_ms: round trip without the time that the reflector held
    the packet; None exactly when ``why`` is set. stamps: None exactly when ``rtt_ms`` is."""

    phase: Phase
    sequence: int
    sent_at_s: float
    rtt_ms: float | None
    stamps: Stamps | None = None
    why: NoRtt | None = None


@dataclass(frozen=True, slots=True)
class LatencyRecord:
    """All that one prober found. probes: in the order of sending; those still on their way are left out.

    late: replies after the time allowed (their probes are lost). duplicates, reordered: replies that came again, or
    after the reply to a later probe. why: None when at least one probe was answered.
    """

    probes: tuple[Probe, ...] = ()
    late: int = 0
    duplicates: int = 0
    reordered: int = 0
    why: NoLatency | None = None

    def rtts_ms(
        self, phase: Phase, *, from_s: float = float("-inf"), until_s: float = float("inf")
    ) -> tuple[float | None, ...]:
        """Return what `sitetest.stats.latency.summarise` takes: round-trip times of a phase, None for a lost probe.

        from_s, until_s: only probes sent in between, on the agent's monotonic clock. Probes that were not sent, or
        whose times are not to be trusted, are left out: they say nothing about the network.
        """
        return tuple(
            probe.rtt_ms
            for probe in self.probes
            if probe.phase is phase and from_s <= probe.sent_at_s < until_s and probe.why in (None, NoRtt.LOST)
        )


def by_second(probes: Sequence[Probe], start_s: float, seconds: int) -> tuple[tuple[Probe, ...], ...]:
    """Sort probes into ``seconds`` seconds from ``start_s`` (monotonic) by when they were sent; others are left out."""
    places: list[list[Probe]] = [[] for _ in range(seconds)]
    for probe in probes:
        place = int((probe.sent_at_s - start_s) // 1)
        if 0 <= place < seconds:
            places[place].append(probe)
    return tuple(tuple(place) for place in places)
