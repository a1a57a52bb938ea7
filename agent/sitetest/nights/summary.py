"""Everything that one soak shows, and what several of them say about the time of day.

Promise: what was not watched is in no share, and what one night cannot tell is not told. Pure but for the reading. May
import store, stats, nights, numpy and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from statistics import median

import numpy as np

from sitetest.nights.case_night import CaseKey, CaseNight, case_nights
from sitetest.nights.night import Night, WatchColumns
from sitetest.nights.outages import Outage, outages_of
from sitetest.nights.percentiles import Percentiles, percentiles
from sitetest.nights.presence import Presence, presence_of, presence_under
from sitetest.stats.time_of_day import TimeOfDay, judge_time_of_day
from sitetest.store.soak_events import ChannelMoved, Roamed, RoundPassed, Slept, SoakEvent, SwitchTried

DEFAULT_MARGIN = 0.10


@dataclass(frozen=True, slots=True)
class Switches:
    """Applying one AP config. tried, failed: commands run, and those that did not work. back_s: median and longest time
    until the path answered on the expected radio; None when it never did."""

    tried: int
    failed: int
    back_s: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class ConfigNight:
    """One AP config through a night. idle_ms: medians of the seconds in which no test ran. loss_pct: of the probes of
    those seconds, outages left out; None without any. rssi_dbm: None where no radio was seen. switches: None when it
    was never switched to by a command."""

    ap_config: str
    presence: Presence
    outages: tuple[Outage, ...]
    idle_ms: Percentiles | None
    loss_pct: float | None
    rssi_dbm: Percentiles | None
    roams: int
    channel_moves: int
    switches: Switches | None
    cases: tuple[CaseNight, ...]


@dataclass(frozen=True, slots=True)
class NightSummary:
    """slept: every sleep or stall. passed: rounds that were due and not tested, by reason."""

    night: Night
    presence: Presence
    outages: tuple[Outage, ...]
    configs: tuple[ConfigNight, ...]
    slept: tuple[Slept, ...]
    passed: tuple[tuple[str, int], ...]
    zone: tzinfo | None

    @property
    def dropouts(self) -> tuple[Outage, ...]:
        """Outages of the network under test."""
        return tuple(outage for outage in self.outages if outage.is_dropout)


def summarise(night: Night, zone: tzinfo | None = None, margin: float = DEFAULT_MARGIN) -> NightSummary:
    """Return what a soak shows. zone: of the times of day; None for this computer's."""
    outages = outages_of(night)
    cases = case_nights(night.attempts, zone, margin)
    passed: dict[str, int] = {}
    for one in night.happenings:
        if isinstance(one.event, RoundPassed):
            passed[one.event.reason] = passed.get(one.event.reason, 0) + 1
    return NightSummary(
        night=night,
        presence=presence_of(night, outages),
        outages=outages,
        configs=tuple(_config(night, name, outages, cases) for name in night.ap_configs),
        slept=tuple(one.event for one in night.happenings if isinstance(one.event, Slept)),
        passed=tuple(sorted(passed.items())),
        zone=zone,
    )


def time_of_day(summaries: Sequence[NightSummary]) -> dict[CaseKey, TimeOfDay]:
    """Return what the hour does to each case, over the nights that have it. A day counts once: of several soaks that
    began on the same local day, the hours of the later ones are left out where an earlier one has them."""
    nights: dict[CaseKey, dict[str, dict[int, float]]] = {}
    for summary in summaries:
        day = summary.night.begins_at.astimezone(summary.zone).date().isoformat()
        for config in summary.configs:
            for case in config.cases:
                hours = nights.setdefault(case.key, {}).setdefault(day, {})
                for hour, mbps in case.hourly_mbps:
                    hours.setdefault(hour, mbps)
    return {key: judge_time_of_day(by_day) for key, by_day in nights.items()}


def _config(night: Night, name: str, outages: Sequence[Outage], cases: Sequence[CaseNight]) -> ConfigNight:
    def under(at: datetime) -> bool:
        return str(night.applied(np.array([at.timestamp()]))[0]) == name

    own = tuple(outage for outage in outages if under(outage.began_at))
    seconds = night.seconds.where(night.applied(night.seconds.at_s) == name)
    quiet = _quiet(seconds, own)
    events = [one.event for one in night.happenings if under(one.at)]
    return ConfigNight(
        ap_config=name,
        presence=presence_under(night, name, outages),
        outages=own,
        idle_ms=percentiles(quiet.rtt_p50_ms),
        loss_pct=_loss_pct(quiet),
        rssi_dbm=percentiles(seconds.rssi_dbm),
        roams=sum(isinstance(event, Roamed) for event in events),
        channel_moves=sum(isinstance(event, ChannelMoved) for event in events),
        switches=_switches([one.event for one in night.happenings], name),
        cases=tuple(case for case in cases if case.key[0] == name),
    )


def _quiet(seconds: WatchColumns, outages: Sequence[Outage]) -> WatchColumns:
    """Return the seconds in which nothing was done to the path and no outage touched it."""
    chosen = (seconds.doing == "nothing") & (seconds.probes > 0)
    for outage in outages:
        begin_s, end_s = outage.began_at.timestamp(), outage.ended_at.timestamp()
        chosen &= (seconds.at_s + seconds.length_s <= begin_s) | (seconds.at_s >= end_s)
    return seconds.where(chosen)


def _loss_pct(quiet: WatchColumns) -> float | None:
    sent = float(quiet.probes.sum())
    return None if sent == 0 else 100 * (1 - float(quiet.answered.sum()) / sent)


def _switches(events: Sequence[SoakEvent], name: str) -> Switches | None:
    tried = [event for event in events if isinstance(event, SwitchTried) and event.ap_config == name]
    if not tried:
        return None
    back_s = [event.back_s for event in tried if event.back_s is not None]
    return Switches(
        tried=len(tried),
        failed=sum(not event.worked for event in tried),
        back_s=(median(back_s), max(back_s)) if back_s else None,
    )
