"""Probes, answered or not, one after the other as they were sent -> outages.

An outage is a run of unanswered probes, from the first of them to the first that was answered again, as they were SENT.
It is told by :class:`Back` when all its probes are decided: answered, or lost after the prober's time limit. So a late
answer still counts, in whatever order answers come, and what has been told is never changed.

While one lasts, it is told by :class:`Away` after AWAY_AFTER_S without any answer. That is a guess, as an answer may
still come: each Away is closed by exactly one Back, at the first answered probe that was sent since it began. When the
run between them was too short, because the answers were not lost but late, that Back takes it back: ``length_s`` 0.

Sleep: unanswered probes before a sleep prove nothing, as a system takes the network away before it sleeps. What has
not ended when the laptop falls asleep is forgotten, but for an Away that is older than NOT_BY_SLEEP_S.

Pure. May import observe.watch and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.observe.watch.seen import AWAY_AFTER_S, PROBE_INTERVAL_S, SHORTEST_OUTAGE_S, Away, Back
from sitetest.observe.watch.sent_probe import SentProbe

FEWEST_PROBES = 5
"""Fewer unanswered probes are loss, however long they took to send: what a laptop that is held up sends. Our own
choice: at 5 % of random loss five in a row are 3 in 10 million, eight (SHORTEST_OUTAGE_S at full pace) 4 in 10^11."""

NOT_BY_SLEEP_S = 10.0
"""An outage that began longer than this before a sleep was none of its doing. Our own choice, no source."""

WAKING_S = 3.0
"""An outage that begins within this after waking comes with the waking. Our own choice, no source: how long a laptop
takes to be back on a network that it knows."""

_ROUNDING_S = 1e-6


@dataclass(slots=True)
class _Run:
    """Unanswered probes in a row. first: of them. last_s: when the last was sent. before_s: the probe before them."""

    first: SentProbe
    last_s: float
    before_s: float
    count: int = 0
    no_route: bool = False
    refused: bool = False
    no_association: bool = False

    def add(self, probe: SentProbe) -> None:
        self.count += 1
        self.last_s = probe.watched_s
        self.no_route |= probe.no_route
        self.refused |= probe.refused
        self.no_association |= probe.no_association


class Outages:
    """Takes decided probes in the order of sending. All its times are watched seconds."""

    def __init__(self) -> None:
        self._run: _Run | None = None
        self._away: SentProbe | None = None
        self._last_s: float | None = None
        self._woke_s: float | None = None
        self._asked_in_vain_s: float | None = None

    @property
    def away(self) -> bool:
        """An Away has been told that no Back has closed."""
        return self._away is not None

    def decided(self, probe: SentProbe) -> Back | None:
        """Take the next decided probe."""
        if probe.void:
            return None
        back: Back | None = None
        if not probe.answered:
            if self._run is None:
                before_s = probe.watched_s - PROBE_INTERVAL_S if self._last_s is None else self._last_s
                self._run = _Run(probe, probe.watched_s, before_s)
            self._run.add(probe)
        else:
            back = self._ended(probe)
        self._last_s = probe.watched_s
        return back

    def silent(self, undecided: Sequence[SentProbe], heard_s: float | None, now_s: float) -> Away | None:
        """Tell an outage while it lasts. undecided: probes sent after the decided ones, some perhaps answered. heard_s:
        when the last answer came; None: never, or not since waking."""
        if self._away is not None or (heard_s is not None and now_s - heard_s < AWAY_AFTER_S - _ROUNDING_S):
            return None
        tail: list[SentProbe] = []
        for probe in reversed(undecided):
            if probe.answered or probe.void:
                break
            tail.append(probe)
        whole = len(tail) == len(undecided)  # nothing among them ends the run before them
        first = self._run.first if whole and self._run is not None else (tail[-1] if tail else None)
        count = len(tail) + (self._run.count if whole and self._run is not None else 0)
        if first is None or count < FEWEST_PROBES or now_s - first.watched_s < AWAY_AFTER_S - _ROUNDING_S:
            return None
        self._away = first
        return Away(first.at_s, first.unix_s)

    def asked_in_vain(self, at_s: float) -> None:
        """A pass was asked for at that time, and nothing answered."""
        self._asked_in_vain_s = at_s

    def slept(self, undecided: Sequence[SentProbe], now_s: float) -> Back | None:
        """The laptop slept until now. undecided: as for :meth:`silent`."""
        self._woke_s = now_s
        ended_before = [probe for probe in undecided if probe.answered]
        if self._away is not None and not any(self._closes(probe) for probe in ended_before):
            if now_s - self._away.watched_s >= NOT_BY_SLEEP_S:
                return None  # it lasts
            _forget(undecided)
            self._run = None
            return self._taken_back()
        _forget(undecided)
        if not ended_before:
            self._run = None
        return None

    def stop(self, undecided: Sequence[SentProbe], now_s: float) -> Back | None:
        """Nobody is asked from now on, although the server answers: an outage that was told is over."""
        back: Back | None = None
        if self._away is not None:
            run = self._run or _Run(self._away, self._away.watched_s, self._away.watched_s)
            for probe in undecided:
                run.add(probe)
            back = self._back(run, now_s, self._since_in_vain_s(run, now_s), was_told=True)
        for probe in undecided:
            probe.void = True
        self._run = self._away = self._last_s = None
        return back

    # -- the rules -----------------------------------------------------------------------------------------------

    def _closes(self, answered: SentProbe) -> bool:
        return self._away is not None and answered.number >= self._away.number

    def _ended(self, answered: SentProbe) -> Back | None:
        run, self._run = self._run, None
        closes = self._closes(answered)
        length_s = 0.0 if run is None else answered.watched_s - run.first.watched_s
        if run is None or length_s < SHORTEST_OUTAGE_S - _ROUNDING_S or run.count < FEWEST_PROBES:
            return self._taken_back() if closes else None
        if closes:
            self._away = None
        another = run.first.reflector != answered.reflector
        doubt_s = self._since_in_vain_s(run, answered.watched_s) if another else 0.0
        waited_s = (answered.rtt_ms or 0.0) / 1e3  # on the laptop perhaps, until there was a path again
        return self._back(run, answered.watched_s, max(doubt_s, waited_s), was_told=closes)

    def _back(self, run: _Run, until_s: float, doubt_s: float, *, was_told: bool) -> Back:
        first = run.first
        return Back(
            began_s=first.at_s,
            began_unix_s=first.unix_s,
            length_s=until_s - first.watched_s,
            unsure_s=max(first.watched_s - run.before_s, until_s - run.last_s, doubt_s),
            was_told=was_told,
            refused=run.refused,
            not_taken=run.no_route,
            after_sleep=self._woke_s is not None and 0 <= first.watched_s - self._woke_s <= WAKING_S,
            no_association=run.no_association,
        )

    def _taken_back(self) -> Back | None:
        away, self._away = self._away, None
        if away is None:
            return None
        return Back(
            began_s=away.at_s,
            began_unix_s=away.unix_s,
            length_s=0.0,
            unsure_s=PROBE_INTERVAL_S,
            was_told=True,
            refused=False,
            not_taken=False,
            after_sleep=False,
            no_association=False,
        )

    def _since_in_vain_s(self, run: _Run, now_s: float) -> float:
        """How long the path may have been back before ``now_s``: since a pass was last asked for in vain, as the old
        one is worth nothing any more."""
        asked_s = run.first.watched_s if self._asked_in_vain_s is None else self._asked_in_vain_s
        return now_s - max(asked_s, run.first.watched_s)


def _forget(undecided: Sequence[SentProbe]) -> None:
    """Let the probes after the last answered one prove nothing."""
    for probe in reversed(undecided):
        if probe.answered:
            return
        probe.void = True
