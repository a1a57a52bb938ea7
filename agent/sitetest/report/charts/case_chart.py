"""One case at one location: every attempt, the estimate of each AP config with its interval, and what limits it.

May import matplotlib, report and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sitetest.report.charts.chart import Chart
from sitetest.report.charts.inline import GREY, INK, PAPER, inline, short
from sitetest.report.wording import count_text, rate_text

MOST_DOTS = 600
"""Attempts of one AP config that are drawn one by one; of more, every n-th in order of size."""


@dataclass(frozen=True, slots=True)
class Row:
    """One AP config. counted, uncounted: Mbit/s of attempts; failed: how many gave nothing. estimate, low, high:
    Mbit/s; None where nothing may be estimated."""

    ap_config: str
    counted: tuple[float, ...]
    uncounted: tuple[float, ...]
    failed: int
    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Line:
    """Something that limits, or is needed: a line across. label: a few words."""

    mbps: float
    label: str


def case_chart(title: str, rows: Sequence[Row], lines: Sequence[Line] = ()) -> Chart:
    """Return the chart. Dots: attempts, hollow where they do not count, a cross for failed ones; bar: estimate and 95 %
    interval."""
    values = [value for row in rows for value in (*row.counted, *row.uncounted)]
    values += [line.mbps for line in lines] + [row.high for row in rows if row.high is not None]
    top = 1.08 * max(values, default=1.0)
    height = 0.9 + 0.55 * len(rows)
    figure = Figure(figsize=(7.2, height))
    figure.subplots_adjust(left=0.2, right=0.97, top=1 - 0.3 / height, bottom=0.5 / height)
    axes = figure.subplots()
    for place, row in enumerate(rows):
        _draw(axes, -float(place), row)
    for line in lines:
        axes.axvline(line.mbps, color=GREY, linestyle=(0, (4, 3)), linewidth=1)
        end = line.mbps > 0.75 * top
        axes.annotate(
            f" {short(line.label)} ",
            (line.mbps, 1.0),
            xycoords=("data", "axes fraction"),
            ha="right" if end else "left",
            va="bottom",
            fontsize=8,
            color=INK,
        )
    axes.set_xlim(0, top)
    axes.set_ylim(-len(rows) + 0.4, 0.6)
    axes.set_yticks([-float(place) for place in range(len(rows))], [short(row.ap_config) for row in rows])
    axes.tick_params(axis="y", length=0, pad=10)
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.set_xlabel("Mbit/s", fontsize=9)
    return inline(figure, title, _text(title, rows, lines))


def _draw(axes: Axes, y: float, row: Row) -> None:
    plot = axes.plot
    for values, face in ((row.counted, INK), (row.uncounted, PAPER)):
        shown = thinned(values)
        ys = [y - 0.12 + 0.09 * (n % 3 - 1) for n in range(len(shown))]
        plot(shown, ys, "o", markersize=3.2, color=INK, markerfacecolor=face, markeredgewidth=0.6, alpha=0.75)
    if row.failed:
        plot([0.0] * min(row.failed, 1), [y - 0.12], "x", color=INK, markersize=6, clip_on=False)
    if row.estimate is not None and row.low is not None and row.high is not None:
        plot([row.low, row.high], [y + 0.2] * 2, "-", color=INK, linewidth=2, solid_capstyle="butt")
        plot([row.estimate], [y + 0.2], "D", color=INK, markersize=5, markerfacecolor=PAPER)


def thinned(values: Sequence[float]) -> list[float]:
    """Return at most MOST_DOTS values that lie as all of them do."""
    if len(values) <= MOST_DOTS:
        return list(values)
    ordered = sorted(values)
    return [ordered[round(n * (len(ordered) - 1) / (MOST_DOTS - 1))] for n in range(MOST_DOTS)]


def _text(title: str, rows: Sequence[Row], lines: Sequence[Line]) -> str:
    parts = [f"{title}: throughput of every attempt, Mbit/s."]
    for row in rows:
        seen = (*row.counted, *row.uncounted)
        spread = f", {rate_text(min(seen))} to {rate_text(max(seen))}" if seen else ""
        estimate = "no estimate"
        if row.estimate is not None and row.low is not None and row.high is not None:
            estimate = (
                f"estimate {rate_text(row.estimate)} (95 % interval {rate_text(row.low)} to {rate_text(row.high)})"
            )
        counts = [count_text(len(row.counted), "counted attempt")]
        counts += [f"{len(row.uncounted)} not counted"] * bool(row.uncounted) + [f"{row.failed} failed"] * bool(
            row.failed
        )
        parts.append(f"{row.ap_config}: {estimate}; {', '.join(counts)}{spread}.")
    parts += [f"{line.label}: {rate_text(line.mbps)}." for line in lines]
    return " ".join(parts)
