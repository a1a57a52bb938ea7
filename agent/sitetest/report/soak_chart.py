"""A night as a chart: every test, what the path did, round trips and signal, over one axis of time.

Readable in black and white: shape says the AP config, an upright cross a failed test, hatching a dropout. What the
chart shows is also returned as text, for whoever cannot see it. Loads slowly: imported inside the command.

May import matplotlib, numpy, report, nights, store.records and the standard library only.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, DateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

from sitetest.errors import UsageError
from sitetest.nights.case_night import CaseNight
from sitetest.nights.night import Floats
from sitetest.nights.summary import NightSummary
from sitetest.report.charts.chart import Chart
from sitetest.report.charts.inline import FAINT, GREY, INK, MARKS, PAPER, inline
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text, rate_text
from sitetest.store.records import AttemptRecord, Status

SUFFIXES = (".svg", ".png")
_MARGIN = 1.1
"""Height above and below all panels, in inches."""

_STRETCH_S = 60.0
"""Seconds of the watch are drawn by the minute: a night has more of them than a page has points."""


def write_chart(path: Path, summary: NightSummary) -> str:
    """Write the chart of a night and return what it shows as text. The kind of file follows from the suffix.

    Raises UsageError for another suffix than .svg or .png, and for a file that cannot be written."""
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--chart {path}: found {path.suffix or 'no suffix'}; allowed: {', '.join(SUFFIXES)}")
    text = chart_text(summary)
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": summary.night.visit.visit_id, "font.size": 9}):
        figure = night_figure(summary)
        try:
            figure.savefig(path, dpi=150, metadata=_metadata(path, text))
        except OSError as problem:
            raise UsageError(f"{path} cannot be written: {problem.strerror or problem}.") from problem
    return text


def _metadata(path: Path, text: str) -> dict[str, Any]:
    if path.suffix.lower() == ".svg":
        return {"Title": text, "Description": text, "Date": None, "Creator": "sitetest"}
    return {"Title": text, "Software": "sitetest"}


def night_chart(summary: NightSummary) -> Chart:
    """Return the chart of a night for a page."""
    title = f"Night at {printable(summary.night.visit.location)}, {_local(summary, summary.night.begins_at):%Y-%m-%d}"
    return inline(night_figure(summary), title, chart_text(summary))


def chart_text(summary: NightSummary) -> str:
    """Say in words what the chart of a night shows."""
    night, presence = summary.night, summary.presence
    usable = (
        "nobody watched the path" if presence.usable_share is None else f"usable {100 * presence.usable_share:.4g} %"
    )
    parts = [
        f"Night at {printable(night.visit.location)}, {_local(summary, night.begins_at):%Y-%m-%d %H:%M} to "
        f"{_local(summary, night.ends_at):%Y-%m-%d %H:%M}: {usable}, {count_text(len(summary.dropouts), 'dropout')}."
    ]
    for config in summary.configs:
        parts += [_case_text(case) for case in config.cases]
    return " ".join(parts)


def _case_text(case: CaseNight) -> str:
    name = f"{printable(case.key[0])} {case.key[3]} {case.key[1]} {case.key[2]}"
    if case.throughput_mbps is None:
        return f"{name}: no valid test."
    course = "too short for a course" if case.levels is None else case.levels.course.value
    count = count_text(case.throughput_mbps.n, "test")
    return f"{name}: median {rate_text(case.throughput_mbps.p50)} Mbit/s over {count}, {course}."


def night_figure(summary: NightSummary) -> Figure:
    """Return the chart as a figure without a window."""
    night = summary.night
    kinds = _kinds(summary)
    has_radio = bool(len(night.seconds.rssi_dbm)) and not bool(np.isnan(night.seconds.rssi_dbm).all())
    heights = [3.0] * len(kinds) + [1.6] + ([1.2] if has_radio else [])
    height = _MARGIN + 0.75 * sum(heights)
    figure = Figure(figsize=(10, height))
    figure.subplots_adjust(left=0.09, right=0.97, top=1 - 0.4 / height, bottom=0.7 / height, hspace=0.16)
    rows = list(np.atleast_1d(figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)))
    figure.suptitle(_title(summary), x=0.01, ha="left", fontsize=10)
    several_kinds = len({kind[:2] for kind in kinds}) > 1
    for axes, kind in zip(rows, kinds, strict=False):
        _tests(axes, summary, kind)
        axes.set_ylabel(f"{kind[2]}\n{'' if not several_kinds else ' '.join(kind[:2]) + ' '}Mbit/s")
    _round_trips(rows[len(kinds)], summary)
    if has_radio:
        times, (signal,) = _by_minute(summary, night.seconds.rssi_dbm)
        rows[-1].plot(times, signal, color=INK, linewidth=0.8)
        rows[-1].set_ylabel("signal\ndBm")
    for axes in rows:
        _outages(axes, summary)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="y", color=FAINT, linewidth=0.5)
        axes.set_axisbelow(True)
    last = max(night.ends_at, night.begins_at + timedelta(seconds=_STRETCH_S))
    rows[-1].set_xlim(_plain(summary, night.begins_at), _plain(summary, last))
    rows[-1].xaxis.set_major_locator(AutoDateLocator(minticks=4, maxticks=12))  # type: ignore[no-untyped-call]
    rows[-1].xaxis.set_major_formatter(DateFormatter("%H:%M"))  # type: ignore[no-untyped-call]
    rows[-1].set_xlabel(
        "local time\nhatched: dropout; grey: other outage; round trips: median to longest of the watch (band), 95 % "
        "under load (dashes); cross: failed test"
    )
    return figure


def _kinds(summary: NightSummary) -> list[tuple[str, str, str]]:
    return list(dict.fromkeys((one.leg, one.engine, one.direction) for one in summary.night.attempts))


def _title(summary: NightSummary) -> str:
    visit = summary.night.visit
    title = f"{printable(visit.location)} - {printable(visit.site)}, {_local(summary, visit.started_at):%Y-%m-%d}"
    title += f", {duration_text((summary.night.ends_at - summary.night.begins_at).total_seconds())}"
    told = f" (simulated: {printable(visit.simulated)})" if visit.simulated else ""
    return (title + told).replace("$", r"\$")


def _tests(axes: Axes, summary: NightSummary, kind: tuple[str, str, str]) -> None:
    names = summary.night.ap_configs
    for place, name in enumerate(names):
        own = [
            one
            for one in summary.night.attempts
            if (one.leg, one.engine, one.direction) == kind and one.ap_config == name
        ]
        valid = [one for one in own if one.status is Status.OK and one.throughput_mbps]
        axes.plot(
            _times(summary, valid),
            [one.throughput_mbps or 0.0 for one in valid],
            MARKS[place % len(MARKS)],
            color=INK,
            markerfacecolor=INK if place % 2 == 0 else PAPER,
            markersize=3.5,
            markeredgewidth=0.7,
            linestyle="none",
            label=printable(name).replace("$", r"\$"),
        )
        failed = [one for one in own if one.status is Status.FAILED]
        axes.plot(_times(summary, failed), [0.0] * len(failed), "+", color=INK, markersize=8, clip_on=False)
    axes.set_ylim(bottom=0)
    if len(names) > 1 and kind == _kinds(summary)[0]:
        axes.legend(loc="lower left", ncols=len(names), frameon=False, fontsize=8, handletextpad=0.2)


def _round_trips(axes: Axes, summary: NightSummary) -> None:
    seconds = summary.night.seconds
    times, (middle, most) = _by_minute(summary, seconds.rtt_p50_ms, seconds.rtt_max_ms)
    axes.fill_between(times, middle, most, color=FAINT, linewidth=0)
    axes.plot(times, middle, color=INK, linewidth=0.8)
    loaded = [one for one in summary.night.attempts if one.rtt_loaded_p95_ms]
    axes.plot(_times(summary, loaded), [one.rtt_loaded_p95_ms or 0.0 for one in loaded], "_", color=GREY, markersize=5)
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.yaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("round trip\nms")


def _outages(axes: Axes, summary: NightSummary) -> None:
    """Draw outages at least as wide as can be seen."""
    least = (summary.night.ends_at - summary.night.begins_at) / 400
    for outage in summary.outages:
        begin = outage.began_at
        end = max(outage.ended_at, begin + least)
        span = (_plain(summary, begin), _plain(summary, end))
        if outage.is_dropout:
            axes.axvspan(*span, facecolor="none", edgecolor=INK, hatch="/////", linewidth=0.4)
        else:
            axes.axvspan(*span, facecolor=FAINT, edgecolor="none")


def _by_minute(summary: NightSummary, *figures: Floats) -> tuple[list[float], list[list[float]]]:
    """Return the middle of each minute that was watched, and the median of each figure in it; a gap where nothing is
    known is one not-a-number."""
    seconds = summary.night.seconds
    places = (seconds.at_s // _STRETCH_S).astype(np.int64)
    times: list[float] = []
    values: list[list[float]] = [[] for _ in figures]
    known, starts = np.unique(places, return_index=True)
    for number, (place, start) in enumerate(zip(known.tolist(), starts.tolist(), strict=True)):
        end = int(starts[number + 1]) if number + 1 < len(starts) else len(places)
        at = datetime.fromtimestamp((place + 0.5) * _STRETCH_S, summary.night.begins_at.tzinfo)
        times.append(_plain(summary, at))
        for figure, column in zip(figures, values, strict=True):
            part = figure[start:end]
            part = part[~np.isnan(part)]
            column.append(float(np.median(part)) if len(part) else float("nan"))
    return times, values


def _times(summary: NightSummary, records: Sequence[AttemptRecord]) -> list[float]:
    return [_plain(summary, one.started_at + timedelta(seconds=one.wall_s / 2)) for one in records]


def _local(summary: NightSummary, at: datetime) -> datetime:
    return at.astimezone(summary.zone)


def _plain(summary: NightSummary, at: datetime) -> float:
    """Return a time as the clock on the wall shows it, on the axis of matplotlib, which shall know no zones."""
    return float(date2num(_local(summary, at).replace(tzinfo=None)))  # type: ignore[no-untyped-call]
