"""What happens in a soak, a plain line each, for a log that somebody reads in the morning.

Tests that went well have no line of their own: a night has hundreds. What they gave stands in the heartbeat, one line
an hour. What comes too often is counted there instead of being written down each time.

Pure. May import visit, store.records, store.soak_events, plan, report and the standard library only.
"""

from collections import Counter
from datetime import datetime, timedelta

from sitetest.report.case_label import CaseLabel
from sitetest.report.local_time import day_and_time, time_of_day
from sitetest.report.wording import count_text, duration_text, rate_text
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.soak_events import (
    DROPOUT_CAUSES,
    ChannelMoved,
    MeasuringPaused,
    MeasuringResumed,
    OutageBegan,
    OutageEnded,
    PartBegan,
    Roamed,
    RoundPassed,
    Slept,
    SoakEvent,
    SwitchTried,
    WatchBlind,
)
from sitetest.visit.events import Noted, SwitchStarted, TurnStarted
from sitetest.visit.soak.events import Happened, RoundStarted, SlotStored, SoakEnded, SoakHappening, SoakStarted
from sitetest.visit.soak.state import SoakState

HEARTBEAT = timedelta(hours=1)
MOST_OF_A_KIND = 12
"""Lines of one kind between two heartbeats: one in five minutes is still read, more is a number."""

SWITCHING = "switching"
"""Why a round passes at nearly every switch of an AP config, which has lines of its own."""

PASSED_BECAUSE = {
    "path_away": "the path is away",
    "disk_full": "the disk is full",
    "data_cap": "the data cap is reached",
    "busy": "the tests before took too long",
    "stood_still": "the laptop slept or stood still",
}


class SoakLines:
    """Makes the lines of one part of a soak. Each has its local time in front."""

    def __init__(self) -> None:
        self._label = CaseLabel()
        self._beat_at: datetime | None = None
        self._told: Counter[str] = Counter()
        self._hidden: Counter[str] = Counter()
        self._passing = ""
        self._passed = 0

    def after(self, happening: SoakHappening, now: datetime) -> list[str]:
        """Return the lines of a happening, mostly none."""
        if isinstance(happening, SoakStarted):
            self._label = CaseLabel.telling_apart(happening.plan.cases)
            self._beat_at = now
        lines = []
        for kind, line in self._lines(happening):
            self._told[kind] += 1
            if self._told[kind] <= MOST_OF_A_KIND:
                lines.append(f"{time_of_day(now)}  {line}")
            else:
                self._hidden[kind] += 1
        return lines

    def heartbeat(self, state: SoakState, now: datetime) -> str:
        """Return the line that says that all goes on, when it is due; empty at other times."""
        if self._beat_at is None or now - self._beat_at < HEARTBEAT:
            return ""
        self._beat_at = now
        hidden = ", ".join(f"{count} more: {kind}" for kind, count in sorted(self._hidden.items()))
        self._told.clear()
        self._hidden.clear()
        return f"{time_of_day(now)}  {heartbeat_text(state, self._label, now)}" + (f" ({hidden})" if hidden else "")

    def _lines(self, happening: SoakHappening) -> list[tuple[str, str]]:  # noqa: PLR0911 - one for each kind
        match happening:
            case SoakStarted():
                return [("soak", started_line(happening))]
            case SwitchStarted():
                line = f"turn {happening.turn.number}: switching to AP config {happening.turn.ap_config}"
                return [("switches", line)]
            case TurnStarted() if happening.back_s is not None:
                back = f"back after {happening.back_s:.1f} s"
                return [("turns", f"turn {happening.turn.number}: {happening.turn.ap_config}, {back}")]
            case RoundStarted():
                return self._passing_is_over()
            case SlotStored() if happening.record.status is not Status.OK:
                return [("failed tests", test_line(self._label, happening.record))]
            case Noted():
                return [("notes", f"note: {happening.text}")]
            case Happened(event=RoundPassed() as passed):
                return self._round_passed(passed)
            case Happened():
                return event_lines(happening.event)
            case SoakEnded():
                made = f"{count_text(happening.rounds, 'round')}, {count_text(happening.tests, 'test')} in this part"
                return [("soak", f"{'over' if happening.outcome == 'complete' else happening.outcome}: {made}")]
            case _:
                return []

    def _round_passed(self, passed: RoundPassed) -> list[tuple[str, str]]:
        """Say it once for all rounds that pass in a row for one reason."""
        if passed.reason == SWITCHING:
            return []
        self._passed += 1
        if passed.reason == self._passing:
            return []
        self._passing = passed.reason
        why = PASSED_BECAUSE.get(passed.reason, passed.reason)
        return [("rounds that passed", f"round {passed.round} passes without tests: {why}")]

    def _passing_is_over(self) -> list[tuple[str, str]]:
        passed, self._passed, self._passing = self._passed, 0, ""
        return [("rounds that passed", f"tests again; {count_text(passed, 'round')} passed without")] if passed else []


def started_line(event: SoakStarted) -> str:
    """Say what a soak is going to do."""
    plan = event.plan
    simulated = " (simulated)" if event.simulated else ""
    until = event.until or plan.until
    wanted = f"{count_text(plan.rounds or 0, 'round')}" if until is None else f"until {day_and_time(until)}"
    resumed = f", going on after {count_text(event.resumed, 'round')}" if event.resumed else ""
    return f"{plan.location}{simulated}: soak {wanted}, a round every {plan.every_s:g} s{resumed}"


def event_lines(event: SoakEvent) -> list[tuple[str, str]]:  # noqa: PLR0911 - one line for each kind of event
    """Return what there is to say of an event, by its kind."""
    match event:
        case OutageBegan():
            return [("path away", f"path away since {time_of_day(event.began_at)}")]
        case OutageEnded():
            return [("path back", outage_line(event))]
        case Slept():
            what = "stood still" if event.stall else "slept"
            return [(what, f"the laptop {what} for {duration_text(event.length_s)}: not a dropout")]
        case Roamed():
            ends = f"from {event.from_label or 'one access point'} to {event.to_label or 'another'}"
            return [("roams", f"roamed {ends}")]
        case ChannelMoved():
            before = _radio(event.from_channel, event.from_width_mhz)
            now = _radio(event.to_channel, event.to_width_mhz)
            return [("channel moves", f"the access point moved from {before} to {now}")]
        case SwitchTried() if not event.worked or event.back_s is None:
            what = "was applied" if event.worked else f"could not be applied (try {event.attempt})"
            return [("switches", f"AP config {event.ap_config} {what}: {event.why}")]
        case MeasuringPaused():
            return [("pauses", f"no tests for now: {event.why}")]
        case MeasuringResumed():
            return [("pauses", f"tests again after {duration_text(event.length_s)}")]
        case WatchBlind():
            return [("watch", f"the path {'is not watched' if event.blind else 'is watched again'}: {event.why}")]
        case PartBegan():
            return [("soak", event.awake_why)] if event.awake_why else []
        case _:
            return []


def outage_line(event: OutageEnded) -> str:
    """Say how long the path was away, and whether that is a dropout of the network under test."""
    counted = "dropout" if event.cause in DROPOUT_CAUSES else "not a dropout of the Wi-Fi"
    return f"path back; away for {event.length_s:.1f} s since {time_of_day(event.began_at)}, {counted}: {event.why}"


def test_line(label: CaseLabel, record: AttemptRecord) -> str:
    """Say what a test gave."""
    if record.status is Status.OK:
        return f"{label.of(record)}: {rate_text(record.throughput_mbps)} Mbit/s"
    return f"{label.of(record)}: {record.status}" + (f": {record.reason}" if record.reason else "")


def heartbeat_text(state: SoakState, label: CaseLabel, now: datetime) -> str:
    """Say in one line that a soak goes on, and how."""
    failed = sum(count for status, count in state.tests.items() if status != Status.OK)
    parts = [f"{count_text(state.rounds_begun, 'round')}, {count_text(sum(state.tests.values()), 'test')}"]
    if failed:
        parts[0] += f" ({failed} without a result)"
    lasts = [(name, last) for name, last in state.last_tests.items() if last.throughput_mbps is not None]
    of_now = [(name, last) for name, last in lasts if name[0] == state.ap_config]
    for (ap_config, leg, engine, direction), last in of_now:
        words = [direction, *([leg] if label.legs else []), *([engine] if label.engines else [])]
        parts.append(f"{ap_config} {' '.join(words)} {rate_text(last.throughput_mbps)} Mbit/s")
    parts.append(path_text(state, now))
    parts.append(dropouts_text(state))
    return "; ".join(parts)


def path_text(state: SoakState, now: datetime) -> str:
    """Say whether the path answers now."""
    if state.away_since is not None and not state.tested_meanwhile:
        away_s = (now - state.away_since).total_seconds()
        return f"path away since {time_of_day(state.away_since)} ({duration_text(away_s)})"
    if state.blind or state.up is None:
        return "path not watched" + (f": {state.blind_why}" if state.blind_why else "")
    return "path up" if state.up else "path silent"


def dropouts_text(state: SoakState) -> str:
    """Say how many dropouts were counted, and how long they were."""
    dropouts = state.dropouts
    if dropouts.last is None:
        return "no dropout"
    last = f"the last {time_of_day(dropouts.last.began_at)} for {dropouts.last.length_s:.1f} s"
    return f"{count_text(dropouts.count, 'dropout')}, {duration_text(dropouts.total_s)} in all, {last}"


def _radio(channel: int | None, width_mhz: int | None) -> str:
    where = "an unknown channel" if channel is None else f"channel {channel}"
    return where if width_mhz is None else f"{where}, {width_mhz} MHz"
