"""Everything that the watch knows about its probes, from what was sent and answered to what is told.

Holds the probes of the last TIMEOUT_S and the seconds that they belong to, nothing older. Times come in on the agent's
monotonic clock, in order.

Pure. May import observe.watch, observe.link.record, observe.prober's time limit and the standard library only.
"""

from collections import deque

from sitetest.observe.link.record import LinkSample
from sitetest.observe.prober import TIMEOUT_S
from sitetest.observe.watch.outages import Outages
from sitetest.observe.watch.seconds import Seconds
from sitetest.observe.watch.seen import AWAY_AFTER_S, Away, Back, WatchSecond
from sitetest.observe.watch.sent_probe import SentProbe
from sitetest.observe.watch.watched_time import WatchedTime

Told = WatchSecond | Away | Back


class PathLedger:
    """now_s, unix_s: when the watch begins."""

    def __init__(self, now_s: float, unix_s: float) -> None:
        self._time = WatchedTime()
        self._time.advance(now_s)
        self._seconds = Seconds(now_s, unix_s)
        self._outages = Outages()
        self._undecided: deque[SentProbe] = deque()
        self._next_number = 0
        self._reflector = 0
        self._watching = False
        self._heard_s: float | None = None
        self._quiet_since_s = 0.0

    @property
    def asking(self) -> bool:
        """There is a reflector to ask."""
        return self._watching

    @property
    def silent_s(self) -> float:
        """For how long nothing has answered: since the last answer, or since there is somebody to ask."""
        return self._time.now_s - self._quiet_since_s

    @property
    def up(self) -> bool | None:
        """Whether anything answered in the last AWAY_AFTER_S; None: nobody is asked, or nobody knows yet."""
        if not self._watching:
            return None
        if self._heard_s is None:
            return False if self._outages.away else None
        return self._time.now_s - self._heard_s < AWAY_AFTER_S

    @property
    def oldest(self) -> int:
        """Number of the oldest probe that can still be answered."""
        return self._undecided[0].number if self._undecided else self._next_number

    # -- what happened -------------------------------------------------------------------------------------------

    def asks(self) -> None:
        """There is a reflector to ask from now on, another one than before or under another pass."""
        self._reflector += 1
        if not self._watching:
            self._quiet_since_s = self._time.now_s
        self._watching = True

    def watched_s(self, now_s: float) -> float:
        """Return how long this watch has watched, for :meth:`asked_in_vain`."""
        return self._time.advance(now_s)

    def asked_in_vain(self, watched_s: float) -> None:
        """A pass was asked for at that time, and nothing answered."""
        self._outages.asked_in_vain(watched_s)

    def sent(self, now_s: float, unix_s: float) -> int:
        """A probe leaves now. Returns its number, from 0."""
        self._seconds.advance(now_s, unix_s)
        probe = SentProbe(
            self._next_number, now_s, unix_s, self._time.advance(now_s), self._reflector, self._seconds.now
        )
        probe.second.undecided += 1
        self._undecided.append(probe)
        self._next_number += 1
        return probe.number

    def not_taken(self, number: int, *, no_route: bool) -> None:
        """This system did not take that probe. no_route: it has no way for it."""
        probe = self._find(number)
        if probe is not None and not probe.answered:
            probe.lost = True
            probe.no_route = no_route

    def answered(self, number: int, now_s: float, rtt_ms: float | None) -> None:
        """An answer was read. Late ones, and those that come again, change nothing."""
        watched_s = self._time.advance(now_s)
        probe = self._find(number)
        if probe is None or probe.answered or probe.lost or watched_s - probe.watched_s > TIMEOUT_S:
            return
        probe.answered = True
        probe.rtt_ms = rtt_ms
        self._heard_s = self._quiet_since_s = watched_s

    def refused(self) -> None:
        """This system was told that nothing listens there."""
        if self._undecided:
            self._undecided[-1].refused = True

    def linked(self, sample: LinkSample) -> None:
        """The link was read."""
        self._seconds.now.link = sample
        if sample.associated is False and self._undecided:
            self._undecided[-1].no_association = True

    # -- what is told --------------------------------------------------------------------------------------------

    def advance(self, now_s: float, unix_s: float) -> list[Told]:
        """Return what is known now and was not before: seconds first, then the outage."""
        watched_s = self._time.advance(now_s)
        self._seconds.advance(now_s, unix_s)
        outages: list[Told] = list(self._decide(watched_s))
        if self._watching:
            away = self._outages.silent(self._undecided, self._heard_s, watched_s)
            if away is not None:
                outages.append(away)
        return [*self._seconds.finished(), *outages]

    def slept(self, now_s: float, unix_s: float) -> list[Told]:
        """The laptop has just woken."""
        watched_s = self._time.advance(now_s)
        self._seconds.cut(now_s, unix_s)
        self._heard_s = None
        back = self._outages.slept(self._undecided, watched_s)
        return [] if back is None else [back]

    def stops_asking(self, now_s: float) -> list[Told]:
        """There is no reflector any more, although the server answers."""
        self._watching = False
        self._heard_s = None
        back = self._outages.stop(self._undecided, self._time.advance(now_s))
        return [] if back is None else [back]

    def _decide(self, watched_s: float) -> list[Back]:
        told: list[Back] = []
        while self._undecided:
            probe = self._undecided[0]
            if not (probe.answered or probe.lost or probe.void or watched_s - probe.watched_s > TIMEOUT_S):
                break
            self._undecided.popleft()
            probe.second.decided(answered=probe.answered, rtt_ms=probe.rtt_ms, void=probe.void)
            back = self._outages.decided(probe)
            if back is not None:
                told.append(back)
        return told

    def _find(self, number: int) -> SentProbe | None:
        place = number - self.oldest
        return self._undecided[place] if 0 <= place < len(self._undecided) else None
