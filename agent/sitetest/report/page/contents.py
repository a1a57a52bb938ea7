"""From what is known to what stands on the page, section by section. Every name that others wrote is text here, never
markup: the templates escape it.

No figure is worked out here. May import charts, comparing, nights, report, store, plan, stats and the standard library
only; matplotlib comes with the charts.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sitetest.ceilings.path_ceilings import Limit
from sitetest.comparing.campaign import PairResult
from sitetest.comparing.document import reason_of
from sitetest.report.advice import is_blemished, is_made_good, next_action
from sitetest.report.case_binding import CaseBinding
from sitetest.report.cautions import CONSENT
from sitetest.report.charts.case_chart import Line, Row, case_chart
from sitetest.report.charts.chart import Chart
from sitetest.report.charts.ratio_chart import ratio_chart
from sitetest.report.charts.seconds_chart import seconds_chart
from sitetest.report.comparison_text import verdict_text
from sitetest.report.limits_text import ADVICE
from sitetest.report.page.answers import FirstPage, first_page
from sitetest.report.page.before import typical_before, typical_of
from sitetest.report.page.known import Asked, Known
from sitetest.report.soak_chart import night_chart
from sitetest.report.wording import NOT_MEASURED, rate_text
from sitetest.stats.answers import SideFacts
from sitetest.stats.student_t import RatioInterval
from sitetest.store.fields import ATTEMPT_FIELDS, Field
from sitetest.store.records import AttemptRecord, Status, VisitKind
from sitetest.store.tidy import is_counted

MOST_LISTED = 400
"""Attempts that need a second look and are listed; of more, the last ones."""


@dataclass(frozen=True, slots=True)
class Table:
    """caption; head; rows of cells, all texts. numbers: places of columns that hold figures, to be set right."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class CaseSection:
    """One location, leg, engine and direction."""

    heading: str
    chart: Chart
    verdicts: tuple[str, ...]
    binds: tuple[str, ...]
    closely: tuple[Chart, ...]


@dataclass(frozen=True, slots=True)
class LocationSection:
    """One location. latency: round trips of its cases."""

    location: str
    cases: tuple[CaseSection, ...]
    latency: Table


@dataclass(frozen=True, slots=True)
class NightSection:
    """One soak."""

    heading: str
    chart: Chart
    sentences: tuple[str, ...]
    dropouts: Table


@dataclass(frozen=True, slots=True)
class Page:
    """The whole document. dictionary: of the columns of results.csv."""

    title: str
    made_at: str
    simulated: str | None
    first: FirstPage
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    overview: Chart | None
    verdicts: Table | None
    locations: tuple[LocationSection, ...]
    nights: tuple[NightSection, ...]
    before: Table | None
    second_look: Table
    left_out: int
    conditions: Table
    dictionary: tuple[Field, ...]
    source: str
    checksum: str
    command: str
    version: str


CAUTIONS = (
    CONSENT,
    "Channels, widths, power and radar (DFS) rules are set by each country: that a setting is named here does not mean "
    "that it is allowed.",
    "Mounting access points means ladders and cabling: local codes and licensed practice come first.",
)


def page(known: Known, asked: Asked) -> Page:
    """Return what the page says."""
    result = known.comparison
    site = known.facts[0].visit.site
    return Page(
        title=f"Wi-Fi at {site}",
        made_at=_moment(asked.made_at),
        simulated=known.simulated,
        first=first_page(known, asked.question),
        cautions=CAUTIONS,
        notes=known.notes,
        overview=None if result is None or not _with_interval(result.pairs) else _overview(known),
        verdicts=None if result is None else _verdicts(known),
        locations=_locations(known),
        nights=_nights(known),
        before=None if asked.before is None else _before(known, asked.before),
        second_look=_second_look(known),
        left_out=max(0, sum(is_blemished(one.attempt) for one in known.facts) - MOST_LISTED),
        conditions=_conditions(known),
        dictionary=ATTEMPT_FIELDS,
        source=known.source.path.name,
        checksum=known.source.sha256,
        command=asked.command,
        version=asked.sitetest_version,
    )


def charts_of(told: Page) -> tuple[Chart, ...]:
    """Return every chart of a page, in order."""
    charts = [] if told.overview is None else [told.overview]
    for place in told.locations:
        for case in place.cases:
            charts += [case.chart, *case.closely]
    return (*charts, *(night.chart for night in told.nights))


def _with_interval(pairs: Sequence[PairResult]) -> bool:
    return any(pair.verdict.interval is not None for pair in pairs)


def _overview(known: Known) -> Chart:
    assert known.comparison is not None
    return ratio_chart(known.comparison.pairs, known.comparison.rules.margin)


def _verdicts(known: Known) -> Table:
    assert known.comparison is not None
    rules = known.comparison.rules
    rows = []
    for pair in known.comparison.pairs:
        verdict = pair.verdict
        interval, wide = verdict.interval, verdict.campaign_interval
        rows.append(
            (
                pair.case,
                f"{pair.b} against {pair.a}",
                verdict_text(pair),
                NOT_MEASURED
                if interval is None
                else f"{_pct(interval.ratio)} ({_pct(interval.low)} to {_pct(interval.high)})",
                NOT_MEASURED if wide is None else f"{_pct(wide.low)} to {_pct(wide.high)}",
                f"{verdict.a.valid}, {verdict.b.valid}",
                reason_of(pair)[1],
            )
        )
    caption = (
        f"Every comparison, margin {100 * rules.margin:.3g} %, family of {rules.family_size}. Difference in per cent, "
        "with its 95 % interval; the campaign interval holds over all comparisons together."
    )
    head = ("case", "compared", "verdict", "difference (95 %)", "campaign interval", "turns", "why")
    return Table(caption, head, tuple(rows), (3, 4, 5))


def _locations(known: Known) -> tuple[LocationSection, ...]:
    attempts = [one.attempt for one in known.facts if one.visit.kind is VisitKind.RUN]
    places: dict[str, list[AttemptRecord]] = {}
    for record in attempts:
        places.setdefault(record.location, []).append(record)
    return tuple(_location(known, place, records) for place, records in places.items())


def _location(known: Known, place: str, records: Sequence[AttemptRecord]) -> LocationSection:
    cases: dict[tuple[str, str, str], list[AttemptRecord]] = {}
    for record in records:
        cases.setdefault((record.direction, record.leg, record.engine), []).append(record)
    return LocationSection(
        place, tuple(_case(known, place, key, of) for key, of in cases.items()), _latency(place, records)
    )


def _case(known: Known, place: str, key: tuple[str, str, str], records: Sequence[AttemptRecord]) -> CaseSection:
    direction, leg, engine = key
    pairs = [
        pair
        for pair in (() if known.comparison is None else known.comparison.pairs)
        if (pair.location, pair.direction, pair.leg, pair.engine) == (place, direction, leg, engine)
    ]
    binds = [
        one
        for one in known.bindings
        if (one.case.location, one.case.direction, one.case.leg, one.case.engine) == (place, direction, leg, engine)
    ]
    heading = f"{direction} over {'the local network' if leg == 'lan' else 'the internet line'} ({engine})"
    return CaseSection(
        heading=heading,
        chart=case_chart(f"{place}, {heading}", _rows(records, pairs), _lines(known, records)),
        verdicts=tuple(
            f"{pair.b} against {pair.a}: {verdict_text(pair)}, since {reason_of(pair)[1]}." for pair in pairs
        ),
        binds=tuple(map(_binds, binds)),
        closely=tuple(
            seconds_chart(one)
            for one in known.closely
            if (one.location, one.direction, one.leg, one.engine) == (place, direction, leg, engine)
        ),
    )


def _rows(records: Sequence[AttemptRecord], pairs: Sequence[PairResult]) -> tuple[Row, ...]:
    sides: dict[str, SideFacts] = {}
    for pair in pairs:
        sides |= {pair.a: pair.verdict.a, pair.b: pair.verdict.b}
    rows = []
    for name in dict.fromkeys(record.ap_config for record in records):
        own = [record for record in records if record.ap_config == name]
        side = sides.get(name)
        estimate = None if side is None else side.estimate
        rows.append(
            Row(
                ap_config=name,
                counted=tuple(one.throughput_mbps for one in own if is_counted(one) and one.throughput_mbps),
                uncounted=tuple(one.throughput_mbps for one in own if not is_counted(one) and one.throughput_mbps),
                failed=sum(one.status is Status.FAILED for one in own),
                estimate=None if estimate is None else estimate.value_mbps,
                low=None if estimate is None else estimate.low_mbps,
                high=None if estimate is None else estimate.high_mbps,
            )
        )
    return tuple(rows)


def _lines(known: Known, records: Sequence[AttemptRecord]) -> tuple[Line, ...]:
    """Return the ceiling that stands in the rows, where it is one and the same, and what is needed there."""
    ceilings = Counter(
        (round(one.ceiling_mbps, 1), one.ceiling_by or "") for one in records if one.ceiling_mbps is not None
    )
    highest = max((one.throughput_mbps or 0.0 for one in records), default=0.0)
    lines = [
        Line(mbps, f"at most, by {by.replace('_', ' ')}: {rate_text(mbps)}")
        for (mbps, by), _ in ceilings.most_common(1)
        if mbps < 3 * highest
    ]
    first = records[0]
    for check in known.checks:
        case = check.case
        same = (case.location, case.direction, case.leg) == (first.location, first.direction, first.leg)
        if same and check.what == "throughput_mbps":
            lines.append(Line(check.wanted, f"needed: {rate_text(check.wanted)}"))
    return tuple(dict.fromkeys(lines))


def _binds(one: CaseBinding) -> str:
    advice = ADVICE[one.binding.limit] if one.binding.limit is not Limit.NOT_KNOWN else ""
    past = f" To get past it: {advice}" if advice else ""
    return f"{one.case.ap_config}: {one.binding.figures}{past}"


def _latency(place: str, records: Sequence[AttemptRecord]) -> Table:
    rows = []
    for key in dict.fromkeys((one.ap_config, one.direction, one.leg, one.engine) for one in records):
        own = [one for one in records if (one.ap_config, one.direction, one.leg, one.engine) == key and is_counted(one)]
        rows.append(
            (
                " ".join(key),
                _middle([one.rtt_idle_ms for one in own]),
                _middle([one.rtt_loaded_p50_ms for one in own]),
                _middle([one.rtt_loaded_p95_ms for one in own]),
                _middle([one.probe_loss_pct for one in own]),
            )
        )
    caption = (
        f"Round trips at {place} in milliseconds (how long a question and its answer take), medians over attempts. "
        "Under load is what a call feels while somebody downloads."
    )
    return Table(caption, ("case", "idle", "under load, half", "under load, 95 %", "lost %"), tuple(rows), (1, 2, 3, 4))


def _middle(values: Sequence[float | None]) -> str:
    known = sorted(value for value in values if value is not None)
    if not known:
        return NOT_MEASURED
    middle = len(known) // 2
    value = known[middle] if len(known) % 2 else (known[middle - 1] + known[middle]) / 2
    return f"{value:.3g}"


def _nights(known: Known) -> tuple[NightSection, ...]:
    sections = []
    for summary in known.nights:
        presence, visit = summary.presence, summary.night.visit
        share = presence.usable_share
        sentences = [
            "Nobody watched the path between the tests."
            if share is None
            else f"The path was usable {100 * share:.4g} % of {presence.judged_s / 3600:.2g} hours watched, with "
            f"{len(summary.dropouts)} dropouts."
        ]
        for config in summary.configs:
            for case in config.cases:
                course = case.too_short or ("" if case.levels is None else f"the level was: {case.levels.course.value}")
                sentences.append(f"{' '.join(case.key)}: {case.tests} tests, {course}.")
        rows = tuple(
            (
                _moment(one.began_at),
                NOT_MEASURED if one.length_s is None else f"{one.length_s:.1f}",
                "dropout" if one.is_dropout else "no dropout",
                one.why,
            )
            for one in summary.outages[:MOST_LISTED]
        )
        table = Table("Outages", ("began (UTC)", "seconds", "counts as", "why"), rows, (1,))
        heading = f"{visit.location}, {_moment(visit.started_at)}"
        sections.append(NightSection(heading, night_chart(summary), tuple(sentences), table))
    return tuple(sections)


def _before(known: Known, path: Path) -> Table:
    """Put what was before beside what is now. Raises UsageError and its kin for a source that is none."""
    was, now = typical_before(path), typical_of(known.facts, str(known.source.path))
    rows = []
    for case in dict.fromkeys((*was, *now)):
        then, today = was.get(case), now.get(case)
        rows.append(
            (
                " ".join(word for word in case if word),
                *(_counted(then)),
                *(_counted(today)),
                NOT_MEASURED if then is None or today is None else _pct(today[1] / then[1]),
            )
        )
    caption = (
        f"Before ({path.name}) and now: medians in Mbit/s. The two did not alternate: whatever else changed in the "
        "meantime is as good an explanation of a difference."
    )
    return Table(caption, ("case", "n before", "before", "n now", "now", "difference"), tuple(rows), (1, 2, 3, 4, 5))


def _counted(typical: tuple[int, float] | None) -> tuple[str, str]:
    return (NOT_MEASURED, NOT_MEASURED) if typical is None else (str(typical[0]), rate_text(typical[1]))


def _second_look(known: Known) -> Table:
    attempts = [one.attempt for one in known.facts]
    blemished = [one for one in attempts if is_blemished(one)][-MOST_LISTED:]
    by_visit: dict[str, list[AttemptRecord]] = {}
    for one in attempts:
        by_visit.setdefault(one.visit_id, []).append(one)
    rows = tuple(
        (
            _moment(one.started_at),
            f"{one.location} {one.ap_config} {one.direction}",
            one.status.value,
            "yes" if is_counted(one) else "no",
            "; ".join([one.reason] * bool(one.reason) + [f"{flag.name}: {flag.reason}" for flag in one.flags]),
            next_action(one, is_made_good(one, by_visit[one.visit_id])),
        )
        for one in blemished
    )
    caption = "Attempts that failed, did not count, were repeated, or carry something that may explain them."
    return Table(caption, ("began (UTC)", "case", "status", "counted", "why", "what next"), rows)


_CONDITIONS = (
    ("engine_version", "version of the engine's library"),
    ("congestion_control", "congestion control of the sender"),
    ("interface_kind", "kind of the laptop's interface"),
    ("phy", "radio generation"),
    ("band", "band (GHz)"),
    ("channel", "channel"),
    ("width_mhz", "channel width (MHz)"),
    ("bssid_label", "access point, by label"),
    ("plugged", "laptop on the mains"),
    ("power_save", "Wi-Fi power save"),
    ("link_mbps", "wired speed of the laptop (Mbit/s)"),
    ("server_link_mbps", "wired speed of the server (Mbit/s)"),
    ("server", "test server"),
)


def _conditions(known: Known) -> Table:
    rows = []
    attempts = [one.attempt for one in known.facts]
    for name, words in _CONDITIONS:
        seen = Counter(str(value) for one in attempts if (value := getattr(one, name)) is not None)
        if seen:
            rows.append((words, ", ".join(f"{value} ({count})" for value, count in seen.most_common(8))))
    for name, words in (("client", "laptop"), ("sitetest_version", "version of sitetest")):
        seen = Counter(str(getattr(one.visit, name)) for one in known.facts)
        rows.append((words, ", ".join(f"{value} ({count})" for value, count in seen.most_common(8))))
    return Table("Conditions, with the number of attempts", ("what", "seen"), tuple(rows))


def _range(interval: RatioInterval) -> str:
    return f"{_pct(interval.low)} to {_pct(interval.high)}"


def _pct(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.1f} %"


def _moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}"
