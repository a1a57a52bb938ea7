"""One link sample after another -> what the laptop or the access point did in between.

Only what both samples show: a roam to another access point and back within a second is not seen here. Pure. May import
observe.link.record, observe.watch.seen and the standard library only.
"""

from sitetest.observe.link.record import LinkSample
from sitetest.observe.watch.seen import Move, Roam

SAME_ASSOCIATION_S = 2.0
"""Begins of an association that differ by less are one: it is told in whole seconds on some systems."""


class LinkChanges:
    """Takes the samples of one interface in order."""

    def __init__(self) -> None:
        self._last: LinkSample | None = None

    def see(self, sample: LinkSample) -> Roam | Move | None:
        """Return what changed since the last sample that was associated; None for nothing that can be told.

        By the access points' labels where they are shown. Where they are hidden, another channel after a fresh
        association is a roam, and another channel within one association a move.
        """
        if sample.associated is not True:
            return None
        last, self._last = self._last, sample
        if last is None:
            return None
        both_named = last.bssid is not None and sample.bssid is not None
        moved = _differ(last.channel, sample.channel) or _differ(last.width_mhz, sample.width_mhz)
        if last.bssid != sample.bssid if both_named else moved and _began_anew(last, sample):
            return Roam(sample.at_s, last.bssid, sample.bssid)
        if moved:
            return Move(sample.at_s, last.channel, last.width_mhz, sample.channel, sample.width_mhz)
        return None


def _differ(before: int | None, after: int | None) -> bool:
    return before is not None and after is not None and before != after


def _began_anew(before: LinkSample, after: LinkSample) -> bool:
    if before.associated_at_s is not None and after.associated_at_s is not None:
        return abs(after.associated_at_s - before.associated_at_s) > SAME_ASSOCIATION_S
    if before.connected_s is not None and after.connected_s is not None:
        return after.connected_s < before.connected_s
    return False
