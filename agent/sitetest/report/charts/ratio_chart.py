"""All comparisons at a glance: B over A with its intervals, against the band in which a difference does not matter.

May import matplotlib, comparing (records), report and the standard library only.
"""

from collections.abc import Sequence

from matplotlib.figure import Figure

from sitetest.comparing.campaign import PairResult
from sitetest.report.charts.chart import Chart
from sitetest.report.charts.inline import FAINT, INK, PAPER, inline, short
from sitetest.report.comparison_text import verdict_text


def ratio_chart(pairs: Sequence[PairResult], margin: float) -> Chart:
    """Return the chart of every comparison that has an interval. Thick: 95 %; thin: the interval that holds over the
    whole campaign."""
    shown = [pair for pair in pairs if pair.verdict.interval is not None]
    height = 0.95 + 0.42 * max(1, len(shown))
    figure = Figure(figsize=(7.2, height))
    figure.subplots_adjust(left=0.36, right=0.97, top=1 - 0.25 / height, bottom=0.6 / height)
    axes = figure.subplots()
    axes.axvspan(100 * (1 / (1 + margin) - 1), 100 * margin, color=FAINT, linewidth=0)
    axes.axvline(0, color=INK, linewidth=0.8)
    labels, parts = [], []
    for place, pair in enumerate(shown):
        interval, wide = pair.verdict.interval, pair.verdict.campaign_interval
        assert interval is not None
        y = -float(place)
        if wide is not None:
            axes.plot([_pct(wide.low), _pct(wide.high)], [y, y], "-", color=INK, linewidth=0.8)
        low, middle, high = _pct(interval.low), _pct(interval.ratio), _pct(interval.high)
        axes.plot([low, high], [y, y], "-", color=INK, linewidth=2.6, solid_capstyle="butt")
        axes.plot([middle], [y], "D", color=INK, markerfacecolor=PAPER, markersize=5)
        labels.append(f"{short(pair.case)}\n{short(verdict_text(pair))}")
        parts.append(
            f"{pair.case}, {pair.b} over {pair.a}: {middle:+.1f} % (95 % interval {low:+.1f} to {high:+.1f} %): "
            f"{verdict_text(pair)}."
        )
    axes.set_yticks([-float(place) for place in range(len(shown))], labels, fontsize=8)
    axes.set_ylim(-max(1, len(shown)) + 0.4, 0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.set_xlabel(
        f"difference in per cent; grey: less than {100 * margin:.3g} %, of no practical interest", fontsize=8
    )
    title = "Every comparison: how much faster, and how sure"
    return inline(figure, title, " ".join([f"{title}.", *parts]))


def _pct(ratio: float) -> float:
    return 100 * (ratio - 1)
