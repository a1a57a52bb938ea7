"""The outages of a night: what was a dropout of the network under test, what was not, and what is not known.

A dropout is an outage whose cause lies between the laptop and the wire (`store/soak_events.DROPOUT_CAUSES`). What
happened to the link within a few seconds is told beside it, as a coincidence in time and no more. Answers that were
late and not lost were no outage.

Pure. May import store, nights and the standard library only.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sitetest.nights.night import Night
from sitetest.store.soak_events import DROPOUT_CAUSES, Cause, ChannelMoved, OutageBegan, OutageEnded, PartBegan, Roamed

BESIDE_S = 5.0
"""How far from an outage a roam or a channel move is still told beside it. Our own choice, no source: above what a
roam takes and above the second between two link samples."""


@dataclass(frozen=True, slots=True)
class Outage:
    """length_s, cause: None when its end was not seen, since the agent ended before it; it then lasted ``at_least_s``.
    unsure_s: by how much the length may be out. beside: what the link did then, in words."""

    began_at: datetime
    length_s: float | None
    at_least_s: float
    unsure_s: float
    cause: Cause | None
    why: str
    beside: tuple[str, ...] = ()

    @property
    def is_dropout(self) -> bool:
        """Whether it counts against the network under test."""
        return self.cause in DROPOUT_CAUSES

    @property
    def ended_at(self) -> datetime:
        """Its end, or the last that is known of it."""
        return self.began_at + timedelta(seconds=self.at_least_s if self.length_s is None else self.length_s)


def outages_of(night: Night) -> tuple[Outage, ...]:
    """Return the outages in order of their begin."""
    found: list[Outage] = []
    open_since: OutageBegan | None = None
    for one in night.happenings:
        event = one.event
        if isinstance(event, PartBegan) and open_since is not None:
            found.append(_never_ended(open_since, _last_before(night, one.at)))
            open_since = None
        elif isinstance(event, OutageBegan):
            open_since = event
        elif isinstance(event, OutageEnded):
            open_since = None
            if event.cause is Cause.LATE:
                continue
            found.append(
                Outage(
                    event.began_at,
                    event.length_s,
                    event.length_s,
                    event.unsure_s,
                    event.cause,
                    event.why,
                    _beside(night, event),
                )
            )
    if open_since is not None:
        found.append(_never_ended(open_since, night.ends_at))
    return tuple(sorted(found, key=lambda outage: outage.began_at))


def _never_ended(began: OutageBegan, until: datetime) -> Outage:
    at_least_s = max(0.0, (until - began.began_at).total_seconds())
    return Outage(began.began_at, None, at_least_s, 0.0, None, "its end was not seen: sitetest itself had ended")


def _last_before(night: Night, at: datetime) -> datetime:
    """Return the end of the last second of the watch that began before a time; that time when there is none."""
    before_s = night.seconds.at_s[night.seconds.at_s < at.timestamp()]
    return datetime.fromtimestamp(float(before_s[-1]) + 1.0, at.tzinfo) if len(before_s) else at


def _beside(night: Night, outage: OutageEnded) -> tuple[str, ...]:
    around = timedelta(seconds=BESIDE_S)
    begin, end = outage.began_at - around, outage.began_at + timedelta(seconds=outage.length_s) + around
    words = [_link_words(one.event) for one in night.happenings if begin <= one.at <= end]
    return tuple(dict.fromkeys(text for text in words if text))


def _link_words(event: object) -> str:
    match event:
        case Roamed():
            return "a roam"
        case ChannelMoved():
            return "a channel move"
        case _:
            return ""
