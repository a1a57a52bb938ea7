"""A night at a glance: one character a stretch of time, in lines that stand one below the other.

    path        -  answered      D  a dropout in it     o  another outage     s  slept      /  switching
    test lines  0 to 9: median throughput in tenths of the case's 95th percentile;  x  every test failed
    configs     a letter an AP config
    blank       nothing is known

Read without colour, in ASCII. Pure. May import nights, numpy and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from string import ascii_uppercase

import numpy as np

from sitetest.nights.summary import NightSummary
from sitetest.store.records import AttemptRecord, Doing, Status
from sitetest.store.soak_events import Slept

WIDTH = 60


@dataclass(frozen=True, slots=True)
class Strip:
    """step_s: time that one character stands for. hours: the scale, local times. configs: empty for a single one.
    tests: label and line of each leg, engine and direction."""

    step_s: float
    hours: str
    path: str
    configs: str
    letters: tuple[tuple[str, str], ...]
    tests: tuple[tuple[tuple[str, str, str], str], ...]


def strip_of(summary: NightSummary, width: int = WIDTH) -> Strip:
    """Return the lines of a night; each is at most ``width`` characters long."""
    night = summary.night
    step_s = max(1.0, (night.ends_at - night.begins_at).total_seconds() / width)
    begin = night.begins_at
    middles_s = begin.timestamp() + step_s * (np.arange(width, dtype=np.float64) + np.float64(0.5))
    names = night.ap_configs
    letter = {name: ascii_uppercase[place % 26] for place, name in enumerate(names)}
    applied = night.applied(middles_s)
    several = len(names) > 1
    return Strip(
        step_s=step_s,
        hours=_scale(summary, step_s, width),
        path=_path(summary, step_s, width),
        configs="".join(letter.get(str(name), " ") for name in applied) if several else "",
        letters=tuple((sign, name) for name, sign in letter.items()) if several else (),
        tests=_tests(summary, step_s, width),
    )


def _scale(summary: NightSummary, step_s: float, width: int) -> str:
    """Return local times at their places, a few characters apart."""
    begin = summary.night.begins_at.astimezone(summary.zone)
    line = [" "] * (width + 5)
    every_s = next((s for s in (60, 300, 900, 1800, 3600, 7200, 14400) if s >= 8 * step_s), 28800)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    at = midnight + timedelta(seconds=every_s * -(-(begin - midnight).total_seconds() // every_s))
    while (place := int((at - begin).total_seconds() / step_s)) < width:
        line[place : place + 5] = at.strftime("%H:%M")
        at += timedelta(seconds=every_s)
    return "".join(line).rstrip()


def _path(summary: NightSummary, step_s: float, width: int) -> str:
    night, seconds = summary.night, summary.night.seconds
    begin_s = night.begins_at.timestamp()
    line = np.full(width, " ")

    def mark(begin: datetime, end: datetime, sign: str) -> None:
        first, last = (int((at.timestamp() - begin_s) / step_s) for at in (begin, end))
        line[min(max(0, first), width - 1) : last + 1] = sign

    places = np.clip(((seconds.at_s - begin_s) / step_s).astype(int), 0, width - 1)
    switching = seconds.doing == Doing.SWITCH.value
    line[places[(seconds.probes > 0) & ~switching]] = "-"
    line[np.bincount(places[switching], minlength=width) > np.bincount(places, minlength=width) / 2] = "/"
    for one in night.happenings:
        if isinstance(one.event, Slept):
            mark(one.at - timedelta(seconds=one.event.length_s), one.at, "s")
    for outage in sorted(summary.outages, key=lambda one: one.is_dropout):
        mark(outage.began_at, outage.ended_at, "D" if outage.is_dropout else "o")
    return "".join(line.tolist())


def _tests(summary: NightSummary, step_s: float, width: int) -> tuple[tuple[tuple[str, str, str], str], ...]:
    """Return a line for each leg, engine and direction, over all AP configs, on one scale."""
    begin = summary.night.begins_at
    by_kind: dict[tuple[str, str, str], list[AttemptRecord]] = {}
    for one in summary.night.attempts:
        by_kind.setdefault((one.leg, one.engine, one.direction), []).append(one)
    lines = []
    for kind, records in by_kind.items():
        best = [one.throughput_mbps for one in records if one.status is Status.OK and one.throughput_mbps]
        top = float(np.percentile(best, 95)) if best else 1.0
        cells: list[list[AttemptRecord]] = [[] for _ in range(width)]
        for one in records:
            cells[min(width - 1, max(0, int((one.started_at - begin).total_seconds() / step_s)))].append(one)
        lines.append((kind, "".join(_digit(cell, top) for cell in cells)))
    return tuple(lines)


def _digit(cell: Sequence[AttemptRecord], top: float) -> str:
    values = [one.throughput_mbps for one in cell if one.status is Status.OK and one.throughput_mbps]
    if values:
        return str(min(9, int(10 * median(values) / top)))
    return "x" if any(one.status is Status.FAILED for one in cell) else " "
