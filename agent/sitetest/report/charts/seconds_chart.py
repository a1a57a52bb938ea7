"""One attempt second by second: throughput, round trips, signal and radio rates, and what happened to the link.

May import matplotlib, report, store.records and the standard library only.
"""

import json
from collections.abc import Sequence
from math import nan

from matplotlib.figure import Figure

from sitetest.report.charts.chart import Chart
from sitetest.report.charts.inline import FAINT, GREY, INK, inline
from sitetest.report.wording import rate_text
from sitetest.store.records import AttemptRecord, SecondRecord


def seconds_chart(attempt: AttemptRecord) -> Chart:
    """Return the chart of an attempt that has its seconds; panels for which nothing is known are left out."""
    seconds = attempt.seconds
    panels: list[tuple[str, list[tuple[str, Sequence[float | None]]]]] = [
        ("Mbit/s", [("throughput", [one.throughput_mbps for one in seconds])]),
        (
            "round trip\nms",
            [("probes", [one.probe_rtt_ms for one in seconds]), ("TCP", [one.rtt_ms for one in seconds])],
        ),
        ("signal\ndBm", [("signal", [one.rssi_dbm for one in seconds])]),
        (
            "radio rate\nMbit/s",
            [("sending", [one.tx_rate_mbps for one in seconds]), ("receiving", [one.rx_rate_mbps for one in seconds])],
        ),
    ]
    known = [(unit, lines) for unit, lines in panels if any(v is not None for _, values in lines for v in values)]
    height = 0.8 + 0.95 * max(1, len(known))
    figure = Figure(figsize=(7.2, height))
    figure.subplots_adjust(left=0.14, right=0.97, top=1 - 0.15 / height, bottom=0.5 / height, hspace=0.25)
    rows = figure.subplots(max(1, len(known)), 1, sharex=True, squeeze=False)[:, 0]
    at = [one.second + 0.5 for one in seconds]
    for axes, (unit, lines) in zip(rows, known, strict=False):
        for place, (name, values) in enumerate(lines):
            if all(value is None for value in values):
                continue
            drawn = [nan if value is None else value for value in values]
            style = "-" if place == 0 else (0, (3, 2))
            axes.plot(
                at, drawn, color=INK if place == 0 else GREY, linestyle=style, linewidth=1.2, marker=".", label=name
            )
        if sum(any(value is not None for value in values) for _, values in lines) > 1:
            axes.legend(loc="lower right", frameon=False, fontsize=7, ncols=2)
        axes.set_ylabel(unit, fontsize=8)
        axes.grid(axis="y", color=FAINT, linewidth=0.5)
        axes.spines[["top", "right"]].set_visible(False)
    if known:
        rows[0].set_ylim(bottom=0)
    rows[-1].set_xlabel("second of the measuring window", fontsize=8)
    title = f"Second by second: {attempt.location}, {attempt.ap_config}, {attempt.direction}"
    return inline(figure, title, _text(title, attempt, seconds))


def _text(title: str, attempt: AttemptRecord, seconds: Sequence[SecondRecord]) -> str:
    values = [one.throughput_mbps for one in seconds]
    parts = [f"{title}, attempt {attempt.test_id}."]
    if values:
        parts.append(f"Throughput from {rate_text(min(values))} to {rate_text(max(values))} Mbit/s in a second.")
    signal = [one.rssi_dbm for one in seconds if one.rssi_dbm is not None]
    if signal:
        parts.append(f"Signal from {min(signal):.0f} to {max(signal):.0f} dBm.")
    events = [json.loads(one.body) for one in attempt.observations if one.kind == "link_event"]
    kinds = [str(one["kind"]) for one in events if isinstance(one, dict) and "kind" in one]
    if kinds:
        parts.append(f"What happened to the link: {', '.join(kinds[:20])}.")
    lost = sum(one.probes_lost or 0 for one in seconds)
    if lost:
        parts.append(f"{lost} latency probes were never answered.")
    return " ".join(parts)
