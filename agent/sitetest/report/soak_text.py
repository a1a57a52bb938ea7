"""What a soak has shown, on a terminal: at a glance, then in figures, then what they do not say. Pure.

May import rich, report, nights, stats and the standard library only.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sitetest.nights.case_night import CaseKey, CaseNight, DipSeen
from sitetest.nights.outages import Outage
from sitetest.nights.percentiles import Percentiles
from sitetest.nights.presence import Presence
from sitetest.nights.summary import ConfigNight, NightSummary
from sitetest.report.night_strip import Strip, strip_of
from sitetest.report.printable import printable
from sitetest.report.wording import NOT_MEASURED, count_text, duration_text, rate_text
from sitetest.stats.levels import Course
from sitetest.stats.time_of_day import FEWEST_NIGHTS, TimeOfDay

MOST_LISTED = 12
"""Dropouts, dips and the like that a screen lists; the JSON document has them all."""

CAUSE_WORDS = {
    "link": "no Wi-Fi association or no carrier",
    "path": "nothing answered: air, access point or cable",
    "host": "the server's machine did not answer, the gateway did",
    "server": "the test server was away",
    "reflector": "only the reflector was silent",
    "sleep": "the laptop had just woken",
}
PASSED_WORDS = {
    "path_away": "the path was away",
    "disk_full": "the disk was full",
    "data_cap": "the data cap was reached",
    "busy": "the round before took its time",
    "switching": "an AP config was being applied",
    "not_applied": "its AP config could not be applied",
    "stood_still": "the laptop slept or stood still",
}


def soak_screen(summaries: Sequence[NightSummary], by_hour: Mapping[CaseKey, TimeOfDay]) -> Group:
    """Return the nights, then what they say about the time of day together."""
    parts: list[RenderableType] = []
    for summary in summaries:
        parts += [*_night(summary), Text()]
    if not parts:
        return Group(Text("No soak has been kept here."))
    return Group(*parts, *_time_of_day(by_hour))


def _night(summary: NightSummary) -> list[RenderableType]:
    night = summary.night
    title = Text(printable(f"{night.visit.location} - {night.visit.site}"), style="bold")
    span = (
        f"{_moment(summary, night.begins_at)} to {_moment(summary, night.ends_at)}, "
        f"profile {printable(night.visit.profile)}"
    )
    state = {"complete": "", "interrupted": "; interrupted", None: "; not ended, or cut off"}.get(night.outcome, "")
    parts: list[RenderableType] = [title, Text(span + state)]
    if night.visit.simulated:
        parts.append(Text(f"simulated: {printable(night.visit.simulated)}"))
    parts += [Text(), *_strip(strip_of(summary)), Text(), Text(_usable(summary.presence, summary))]
    parts.append(Text(_account(summary.presence), style="dim"))
    parts += [Text(line) for line in _outage_lines(summary)]
    for config in summary.configs:
        parts += [Text(), *_config(config, summary)]
    parts += [Text(), *(Text(line, style="dim") for line in _not_said(summary))]
    return parts


def _strip(strip: Strip) -> list[RenderableType]:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_row("", Text(strip.hours))
    table.add_row("path", Text(strip.path))
    if strip.configs:
        table.add_row("AP config", Text(strip.configs))
    one_kind = len({kind[:2] for kind, _ in strip.tests}) <= 1
    for (leg, engine, direction), line in strip.tests:
        table.add_row(direction if one_kind else f"{direction} {leg} {engine}", Text(line))
    legend = (
        f"One character: {duration_text(strip.step_s)}. path: - answered, D dropout, o other outage, s slept, "
        "/ switching. Tests: throughput in tenths of their 95th percentile, x failed. Blank: nothing is known."
    )
    letters = ", ".join(f"{sign} {printable(name)}" for sign, name in strip.letters)
    return [table, Text(legend + (f" AP configs: {letters}." if letters else ""), style="dim")]


def _usable(presence: Presence, summary: NightSummary) -> str:
    dropouts = summary.dropouts
    if presence.usable_share is None:
        return "Nothing is known about the path between the tests: nobody watched it."
    if not dropouts:
        return f"No dropout was seen in {duration_text(presence.judged_s)} watched."
    longest = max(one.length_s or one.at_least_s for one in dropouts)
    return (
        f"Usable {_per_cent(presence.usable_share)} of {duration_text(presence.judged_s)} watched: "
        f"{count_text(len(dropouts), 'dropout')}, {_seconds(presence.dropouts_s)} in all, the longest "
        f"{_seconds(longest)}."
    )


def _account(presence: Presence) -> str:
    night = "" if presence.night_s is None else f"Of {duration_text(presence.night_s)}: "
    parts = [f"watched {duration_text(presence.watched_s)}"]
    for name, value_s in (
        ("switching AP configs", presence.switching_s),
        ("nobody to ask", presence.blind_s),
        ("asleep or standing still", presence.slept_s),
        ("not kept", presence.not_kept_s or 0.0),
        ("outages that say nothing about the network under test", presence.other_outages_s),
    ):
        if value_s >= 1:
            parts.append(f"{name} {duration_text(value_s)}")
    return f"{night}{', '.join(parts)}."


def _outage_lines(summary: NightSummary) -> list[str]:
    lines = []
    for title, chosen in (
        ("Dropouts:", [one for one in summary.outages if one.is_dropout]),
        ("Other outages, not counted as dropouts:", [one for one in summary.outages if not one.is_dropout]),
    ):
        if chosen:
            lines += [title, *(f"  {_outage(one, summary)}" for one in chosen[:MOST_LISTED])]
            if len(chosen) > MOST_LISTED:
                lines.append(f"  and {len(chosen) - MOST_LISTED} more (all of them: --json)")
    for reason, count in summary.passed:
        lines.append(f"{count_text(count, 'round')} not tested: {PASSED_WORDS.get(reason, reason)}.")
    return lines


def _outage(outage: Outage, summary: NightSummary) -> str:
    if outage.length_s is None:
        length = f"at least {_seconds(outage.at_least_s)}"
    else:
        length = f"{_seconds(outage.length_s)} +- {outage.unsure_s:.1f} s"
    cause = "cause not known" if outage.cause is None else CAUSE_WORDS[outage.cause.value]
    why = outage.why if outage.cause is None else ""
    beside = f"; with {' and '.join(outage.beside)}" if outage.beside else ""
    return f"{_clock(summary, outage.began_at)}  {length}: {cause}{f' ({why})' if why else ''}{beside}"


def _config(config: ConfigNight, summary: NightSummary) -> list[RenderableType]:
    several = len(summary.configs) > 1
    head = Text(f"AP config {printable(config.ap_config)}", style="bold")
    facts = []
    if several and config.presence.usable_share is not None:
        count = sum(one.is_dropout for one in config.outages)
        facts.append(
            f"usable {_per_cent(config.presence.usable_share)} of {duration_text(config.presence.judged_s)}, "
            f"{count_text(count, 'dropout')}"
        )
    if config.idle_ms is not None:
        facts.append(f"idle round trip {_spread(config.idle_ms, 'ms')}, loss {_loss(config.loss_pct)}")
    if config.rssi_dbm is not None:
        facts.append(f"signal {_spread(config.rssi_dbm, 'dBm')}")
    if config.roams:
        facts.append(count_text(config.roams, "roam"))
    if config.channel_moves:
        facts.append(count_text(config.channel_moves, "channel move"))
    if config.switches is not None:
        switches = config.switches
        back = "" if switches.back_s is None else f", back after {_seconds(switches.back_s[0])} (median)"
        longest = "" if switches.back_s is None else f", {_seconds(switches.back_s[1])} at most"
        failed = f", {switches.failed} failed" if switches.failed else ""
        facts.append(f"switched to {count_text(switches.tried, 'time')}{failed}{back}{longest}")
    lines = [Text(f"  {fact}") for fact in facts]
    return [head, *lines, _case_table(config.cases), *(Text(line) for line in _findings(config.cases, summary))]


def _case_table(cases: Sequence[CaseNight]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("case", overflow="fold")
    for name in ("tests", "failed", "Mbit/s 5 %", "50 %", "95 %", "loaded ms 50 %", "95 %"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("course")
    for case in cases:
        speed, loaded, worst = case.throughput_mbps, case.rtt_loaded_p50_ms, case.rtt_loaded_p95_ms
        table.add_row(
            _case_name(case),
            str(case.tests),
            NOT_MEASURED if case.failed is None else str(case.failed.count),
            *([NOT_MEASURED] * 3 if speed is None else map(rate_text, (speed.p5, speed.p50, speed.p95))),
            NOT_MEASURED if loaded is None else f"{loaded.p50:.0f}",
            NOT_MEASURED if worst is None else f"{worst.p50:.0f}",
            "too short" if case.levels is None else case.levels.course.value,
        )
    return table


def _findings(cases: Sequence[CaseNight], summary: NightSummary) -> list[str]:
    lines = []
    for case in cases:
        name = _case_name(case)
        if case.failed is not None and case.failed.count:
            rate = case.failed
            lines.append(
                f"{name}: {rate.count} of {count_text(rate.n, 'test')} failed ({_per_cent(rate.share)}; "
                f"95 % interval {_per_cent(rate.low)} to {_per_cent(rate.high)})"
            )
        if case.dips:
            shown = ", ".join(_dip(dip, summary) for dip in case.dips[:MOST_LISTED])
            more = f" and {len(case.dips) - MOST_LISTED} more" if len(case.dips) > MOST_LISTED else ""
            lines.append(f"{name}: {count_text(len(case.dips), 'dip')}: {shown}{more}")
        lines += _course_lines(name, case, summary)
        if case.doubtful:
            lines.append(f"{name}: {count_text(case.doubtful, 'test')} with something beside it that may explain it")
        invalid = sum(count for _, count in case.invalid)
        if invalid:
            most = case.invalid[0][0]
            lines.append(f"{name}: {count_text(invalid, 'test')} left out as invalid, most often: {printable(most)}")
    return lines


def _course_lines(name: str, case: CaseNight, summary: NightSummary) -> list[str]:
    if case.levels is None:
        return [f"{name}: too short for steps and drift: {case.too_short}"] if case.too_short else []
    if case.levels.course is Course.STEP:
        return [
            f"{name}: {'lower' if step.change < 0 else 'higher'} by {_per_cent(abs(step.change))} from "
            f"{_clock(summary, step.at)} on (between {_clock(summary, step.between[0])} and "
            f"{_clock(summary, step.between[1])}; {rate_text(step.before_mbps)} before, "
            f"{rate_text(step.after_mbps)} after)"
            for step in case.steps
        ]
    drift = case.levels.drift
    if case.levels.course is Course.DRIFT and drift is not None:
        way = "falling" if drift.change < 0 else "rising"
        return [
            f"{name}: {way} by {_per_cent(abs(drift.change_per_hour))} an hour, {_per_cent(abs(drift.change))} "
            f"over the night (p = {drift.p:.2g}, {drift.n} groups of tests)"
        ]
    return []


def _time_of_day(by_hour: Mapping[CaseKey, TimeOfDay]) -> list[Text]:
    lines = []
    for key, found in by_hour.items():
        if found.matters is None:
            continue
        name = f"{printable(key[0])} {key[3]} {key[1]} {key[2]}"
        verdict = "the hour makes a difference" if found.matters else "no difference between the hours is shown"
        hours = ", ".join(f"{hour:02d} h {rate_text(value)}" for hour, value in found.hourly_mbps)
        lines.append(Text(f"{name}: over {found.nights} nights {verdict} (p = {found.p:.2g}): {hours}"))
    return [Text("Time of day", style="bold"), *lines] if lines else []


def _not_said(summary: NightSummary) -> list[str]:
    lines = [
        "A course says what this night did, not that a device has a fault. One night cannot tell the time of day from "
        f"a drift: {FEWEST_NIGHTS} nights can.",
    ]
    if len(summary.configs) > 1:
        lines.append("Which AP config is better: `sitetest compare --factor ap_config` says that, not this page.")
    return lines


def _case_name(case: CaseNight) -> str:
    _, leg, engine, direction = case.key
    return f"{direction} {leg} {engine}"


def _dip(dip: DipSeen, summary: NightSummary) -> str:
    flags = f" ({', '.join(dip.flags)})" if dip.flags else ""
    return f"{_clock(summary, dip.at)} {rate_text(dip.throughput_mbps)}{flags}"


def _spread(values: Percentiles, unit: str) -> str:
    return f"{values.p50:.1f} {unit} (5 to 95 %: {values.p5:.1f} to {values.p95:.1f})"


def _loss(loss_pct: float | None) -> str:
    return NOT_MEASURED if loss_pct is None else f"{loss_pct:.2f} %"


def _per_cent(share: float) -> str:
    per_cent = 100 * share
    return f"{per_cent:.3f} %" if 99.9 < per_cent < 100 else f"{per_cent:.3g} %"


def _seconds(value_s: float) -> str:
    if value_s < 120:
        return f"{value_s:.1f} s"
    return f"{int(value_s // 60)} min {value_s % 60:02.0f} s" if value_s < 3600 else duration_text(value_s)


def _clock(summary: NightSummary, at: datetime) -> str:
    return at.astimezone(summary.zone).strftime("%H:%M:%S")


def _moment(summary: NightSummary, at: datetime) -> str:
    return at.astimezone(summary.zone).strftime("%Y-%m-%d %H:%M")
