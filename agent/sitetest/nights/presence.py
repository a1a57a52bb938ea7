"""How much of a night was watched, and what share of that the path answered.

    night       from the begin to the last that is known
    = watched     somebody asked once a tenth of a second
    + switching   we were applying an AP config ourselves: its absence is no dropout
    + blind       nobody could be asked: no reflector
    + slept       the laptop slept or stood still
    + not kept    the agent was not there, or the disk was full

    judged      = watched - outages that say nothing about the network under test
    usable      = 1 - time of the dropouts / judged

"Nobody watched" is never "no dropout": a share of nothing is None. Pure. May import store, nights, numpy and the
standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sitetest.nights.night import Mask, Night, WatchColumns
from sitetest.nights.outages import Outage
from sitetest.store.records import Doing
from sitetest.store.soak_events import Slept


@dataclass(frozen=True, slots=True)
class Presence:
    """Seconds. night_s: of the whole night, None for one AP config of several. other_outages_s: of outages that are no
    dropouts, or whose end was not seen. usable_share: 0 to 1; None when nothing was judged."""

    night_s: float | None
    watched_s: float
    switching_s: float
    blind_s: float
    slept_s: float
    not_kept_s: float | None
    dropouts_s: float
    other_outages_s: float

    @property
    def judged_s(self) -> float:
        """Watched time that says something about the network under test."""
        return max(0.0, self.watched_s - self.other_outages_s)

    @property
    def usable_share(self) -> float | None:
        """Share of the judged time in which the path answered."""
        return None if self.judged_s <= 0 else max(0.0, 1 - self.dropouts_s / self.judged_s)


def presence_of(night: Night, outages: Sequence[Outage]) -> Presence:
    """Return the account of the whole night."""
    slept_s = sum(one.event.length_s for one in night.happenings if isinstance(one.event, Slept))
    night_s = (night.ends_at - night.begins_at).total_seconds()
    told = _told(night.seconds)
    not_kept_s = max(0.0, night_s - sum(told) - slept_s)
    return Presence(night_s, *told, slept_s, not_kept_s, *_lost(outages))


def presence_under(night: Night, ap_config: str, outages: Sequence[Outage]) -> Presence:
    """Return the account of the time in which one AP config was applied. outages: of the whole night."""
    under = night.applied(night.seconds.at_s) == ap_config
    begins_s = np.array([outage.began_at.timestamp() for outage in outages])
    own = [outage for outage, name in zip(outages, night.applied(begins_s), strict=True) if str(name) == ap_config]
    return Presence(None, *_told(night.seconds.where(under)), 0.0, None, *_lost(own))


def _told(seconds: WatchColumns) -> tuple[float, float, float]:
    """Return the seconds watched, switching and blind."""
    switching = seconds.doing == Doing.SWITCH.value
    asked = seconds.probes > 0

    def total(chosen: Mask) -> float:
        return float(seconds.length_s[chosen].sum())

    return total(asked & ~switching), total(switching), total(~asked & ~switching)


def _lost(outages: Sequence[Outage]) -> tuple[float, float]:
    """Return the seconds of dropouts, and of the other outages."""
    dropouts_s = sum(outage.at_least_s for outage in outages if outage.is_dropout)
    return dropouts_s, sum(outage.at_least_s for outage in outages if not outage.is_dropout)
