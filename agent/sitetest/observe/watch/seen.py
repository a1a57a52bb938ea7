"""What the watch tells, as facts, as soon as it knows. Times are the agent's monotonic clock unless they say otherwise.

    WatchSecond     every second, once all its probes are answered or lost
    Away            nothing has answered for AWAY_AFTER_S: noticed while it lasts, within two seconds
    Back            an outage is over; also for one that was too short to be noticed while it lasted
    Roam, Move      the link, between two samples
    Sleep           the laptop slept, stood still
    Blind           there is nothing to ask, or there is again

Each is told when it is known: a second and a Back some two seconds after the others, so that only facts of one kind are
in order of time.

Pure. May import the standard library only.
"""

from dataclasses import dataclass

AWAY_AFTER_S = 1.5
"""Silence after which an outage is told while it lasts. Leaves half a second of the two that are promised."""

SHORTEST_OUTAGE_S = 0.8
"""Unanswered probes over less than this are loss, not an outage. Our own choice, no source: a second of silence is what
a person on a call notices, a probe that is late under a full queue is not."""

PROBE_INTERVAL_S = 0.1
"""Ten probes a second of 106 bytes in an Ethernet frame: 8.5 kbit/s each way."""


@dataclass(frozen=True, slots=True)
class WatchSecond:
    """See :class:`sitetest.store.records.WatchSecondRecord`, whose names these are. start_s: monotonic; start_unix_s:
    wall clock."""

    start_s: float
    start_unix_s: float
    length_s: float
    probes: int
    answered: int
    rtt_p50_ms: float | None = None
    rtt_max_ms: float | None = None
    associated: bool | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    channel: int | None = None
    width_mhz: int | None = None
    bssid_label: str | None = None


@dataclass(frozen=True, slots=True)
class Away:
    """began_s: when the first unanswered probe was sent. began_unix_s: the same on the wall clock."""

    began_s: float
    began_unix_s: float


@dataclass(frozen=True, slots=True)
class Back:
    """One outage, whole. length_s: from the first unanswered probe to the first that was answered again, as they were
    sent, time in which nobody watched (sleep, a stall) left out. 0 takes an Away back: its answers were late and not
    lost, or the laptop was falling asleep, and there was no outage. was_told: an :class:`Away` went before it; each is
    followed by exactly one such Back, at latest about two seconds after the path is back. refused: this system was told
    that nothing listens (the server's machine lives). not_taken: this system had no way for packets (no carrier, no
    route). after_sleep: it began with the laptop's waking. no_association: a link sample in it said so."""

    began_s: float
    began_unix_s: float
    length_s: float
    unsure_s: float
    was_told: bool
    refused: bool
    not_taken: bool
    after_sleep: bool
    no_association: bool


@dataclass(frozen=True, slots=True)
class Roam:
    """From one access point to another, by their labels; None: hidden by this system."""

    at_s: float
    from_label: str | None
    to_label: str | None


@dataclass(frozen=True, slots=True)
class Move:
    """Channel or width changed on the same access point."""

    at_s: float
    from_channel: int | None
    from_width_mhz: int | None
    to_channel: int | None
    to_width_mhz: int | None


@dataclass(frozen=True, slots=True)
class Sleep:
    """The laptop slept for ``length_s``, or stood still (``stall``). at_s: when it was over."""

    at_s: float
    length_s: float
    stall: bool


@dataclass(frozen=True, slots=True)
class Blind:
    """blind: there is nobody to ask (no pass, no reflector) from now on; False: there is again. why: a sentence."""

    at_s: float
    blind: bool
    why: str


Seen = WatchSecond | Away | Back | Roam | Move | Sleep | Blind
