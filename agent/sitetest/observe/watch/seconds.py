"""Counts the probes of each second, and hands a second over once all of them are decided.

Pure. May import observe.link.record, observe.watch.seen and the standard library only.
"""

from collections import deque
from dataclasses import dataclass, field
from statistics import median

from sitetest.observe.link.record import LinkSample
from sitetest.observe.watch.seen import PROBE_INTERVAL_S, WatchSecond

SECOND_S = 1.0
HELD_UP_S = 1.0
"""A pause of more than this is in no second: one ends before it, another begins after it."""


@dataclass(slots=True)
class OpenSecond:
    """undecided: probes of it that may still be answered. length_s: None until it is over. link: the last sample."""

    start_s: float
    start_unix_s: float
    undecided: int = 0
    probes: int = 0
    rtts_ms: list[float] = field(default_factory=list)
    answered: int = 0
    length_s: float | None = None
    link: LinkSample | None = None

    def decided(self, *, answered: bool, rtt_ms: float | None, void: bool) -> None:
        """Count a probe that was sent in it. rtt_ms: None also where the time of an answer is not to be trusted.
        void: it is not counted at all."""
        self.undecided -= 1
        if void:
            return
        self.probes += 1
        self.answered += answered
        if rtt_ms is not None:
            self.rtts_ms.append(rtt_ms)

    def fact(self) -> WatchSecond:
        """Return the finished second."""
        link = self.link
        return WatchSecond(
            start_s=self.start_s,
            start_unix_s=self.start_unix_s,
            length_s=self.length_s or 0.0,
            probes=self.probes,
            answered=self.answered,
            rtt_p50_ms=median(self.rtts_ms) if self.rtts_ms else None,
            rtt_max_ms=max(self.rtts_ms, default=None),
            associated=None if link is None else link.associated,
            rssi_dbm=None if link is None else link.rssi_dbm,
            tx_rate_mbps=None if link is None or link.tx is None else link.tx.mbps,
            rx_rate_mbps=None if link is None or link.rx is None else link.rx.mbps,
            channel=None if link is None else link.channel,
            width_mhz=None if link is None else link.width_mhz,
            bssid_label=None if link is None else link.bssid,
        )


class Seconds:
    """The seconds of the watch, on the grid of the monotonic clock that begins with it."""

    def __init__(self, now_s: float, unix_s: float) -> None:
        self._origin_s = now_s
        self._last_s = now_s
        self.now = OpenSecond(now_s, unix_s)
        self._ends_s = now_s + SECOND_S
        self._over: deque[OpenSecond] = deque()

    def advance(self, now_s: float, unix_s: float) -> None:
        """Let the time pass."""
        if now_s - self._last_s > HELD_UP_S:
            self.cut(now_s, unix_s)
        elif now_s >= self._ends_s:
            self._begin(self._ends_s, unix_s - (now_s - self._ends_s), self._ends_s)
        self._last_s = max(now_s, self._last_s)

    def cut(self, now_s: float, unix_s: float) -> None:
        """End the second where time was last seen to pass, and begin another now: nobody watched in between."""
        self._begin(now_s, unix_s, min(self._last_s + PROBE_INTERVAL_S, self._ends_s, now_s))
        self._last_s = now_s

    def finished(self) -> list[WatchSecond]:
        """Hand over the seconds that are over and decided, in order."""
        facts: list[WatchSecond] = []
        while self._over and self._over[0].undecided == 0:
            facts.append(self._over.popleft().fact())
        return facts

    def _begin(self, start_s: float, start_unix_s: float, over_s: float) -> None:
        self.now.length_s = max(over_s - self.now.start_s, 0.0)
        self._over.append(self.now)
        self.now = OpenSecond(start_s, start_unix_s)
        into_s = (start_s - self._origin_s) % SECOND_S
        left_s = SECOND_S - into_s
        self._ends_s = start_s + (left_s if left_s >= SECOND_S / 2 else left_s + SECOND_S)
