"""What a soak may be said to have shown: every denominator, and that what is not known is not told."""

import json
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from made_night import EVENING, SOAK_ID, a_series, at_h, falling, happened, made_night, outage, watched
from rich.console import Console, RenderableType
from scipy.stats import friedmanchisquare
from statsmodels.stats.proportion import proportion_confint
from store_records import a_soak, a_turn, a_visit, announced

from sitetest.nights.document import nights_document
from sitetest.nights.night import read_night, soaks
from sitetest.nights.summary import NightSummary, summarise, time_of_day
from sitetest.report.night_strip import strip_of
from sitetest.report.soak_text import CAUSE_WORDS, MOST_LISTED, PASSED_WORDS, soak_screen
from sitetest.store.database import Store
from sitetest.store.records import Doing, EventRecord, Flag, Status
from sitetest.store.soak_events import (
    Cause,
    ChannelMoved,
    OutageBegan,
    OutageEnded,
    PartBegan,
    Roamed,
    RoundPassed,
    Slept,
    SoakEvent,
    SwitchTried,
    detail_of,
    kind_of,
    soak_event_of,
)
from sitetest.visit.soak.conductor import (
    BUSY,
    DATA_CAP,
    DISK_FULL,
    NOT_APPLIED,
    PATH_AWAY,
    STOOD_STILL,
    SWITCHING,
)


def printed(screen: RenderableType) -> str:
    """Return what a wide terminal would show, without colours."""
    text = StringIO()
    Console(width=400, file=text, highlight=False).print(screen)
    return text.getvalue()


def test_a_night_that_was_watched_and_had_no_dropout() -> None:
    summary = summarise(made_night(seconds=watched(2.0)), UTC)
    assert summary.presence.usable_share == 1.0
    assert summary.presence.judged_s == 7200
    assert "No dropout was seen in 2 h 00 min watched." in printed(soak_screen([summary], {}))


def test_nothing_watched_is_not_no_dropout() -> None:
    blind = summarise(made_night(seconds=watched(2.0, probes=0)), UTC)
    assert (blind.presence.usable_share, blind.presence.blind_s, blind.presence.watched_s) == (None, 7200, 0)
    assert summarise(made_night(a_series(2, 120, seed=1)), UTC).presence.usable_share is None
    assert "Nothing is known about the path between the tests" in printed(soak_screen([blind], {}))


def test_only_dropouts_of_the_network_under_test_make_the_share_smaller() -> None:
    happenings = [
        *outage(0.25, 36.0, Cause.PATH),
        *outage(0.5, 9.0, Cause.LINK),
        *outage(1.0, 360.0, Cause.SERVER),
        *outage(1.5, 20.0, Cause.HOST),
        *outage(1.6, 5.0, Cause.REFLECTOR),
        *outage(1.8, 15.0, Cause.SLEEP),
    ]
    summary = summarise(made_night(seconds=watched(2.0, happenings), happenings=happenings), UTC)
    assert summary.presence.judged_s == 7200 - 400
    assert summary.presence.usable_share == pytest.approx(1 - 45 / 6800)
    assert [one.cause for one in summary.dropouts] == [Cause.PATH, Cause.LINK]
    shown = printed(soak_screen([summary], {}))
    assert "2 dropouts, 45.0 s in all, the longest 36.0 s" in shown
    assert "23:00:00  6 min 00 s +- 0.1 s: the test server was away" in shown


def test_time_of_switching_sleep_and_absence_is_accounted_for_and_judged_as_nothing() -> None:
    switching = [Doing.SWITCH if hour < 0.05 else Doing.NOTHING for hour in np.arange(0, 1, 1 / 3600)]
    first = [replace(one, doing=doing) for one, doing in zip(watched(1.0), switching, strict=True)]
    night = made_night(seconds=[*first, *watched(3.0, begin_h=2.0)], happenings=[happened(1.5, Slept(1200.0, False))])
    presence = summarise(night, UTC).presence
    assert presence.night_s == 3 * 3600
    assert (presence.switching_s, presence.watched_s) == (180, 7020)
    assert (presence.slept_s, presence.not_kept_s) == (1200, 2400)
    assert presence.usable_share == 1.0
    shown = printed(soak_screen([summarise(night, UTC)], {}))
    assert "switching AP configs 3 min, asleep or standing still 20 min, not kept 40 min" in shown


def test_an_outage_whose_end_was_not_seen_has_no_length_and_no_cause() -> None:
    """The agent was killed in it and resumed later; the next outage is another one."""
    happenings = [
        happened(0.5, OutageBegan(at_h(0.5))),
        happened(1.0, PartBegan(True, at_h(10), True, "made up")),
        *outage(1.5, 30.0),
    ]
    night = made_night(seconds=[*watched(0.75), *watched(2.0, begin_h=1.0)], happenings=happenings)
    summary = summarise(night, UTC)
    never, later = summary.outages
    assert (never.length_s, never.cause, never.is_dropout) == (None, None, False)
    assert never.at_least_s == pytest.approx(900, abs=1)
    assert later.is_dropout
    assert summary.presence.judged_s == pytest.approx(2700 + 3600 - 900, abs=2)
    assert "at least 15 min 00 s: cause not known (its end was not seen" in printed(soak_screen([summary], {}))


def test_an_outage_that_lasts_until_the_end_is_open_as_well() -> None:
    night = made_night(seconds=watched(1.0), happenings=[happened(0.9, OutageBegan(at_h(0.9)))])
    (never,) = summarise(night, UTC).outages
    assert never.length_s is None
    assert never.at_least_s == pytest.approx(360, abs=1)


def test_what_the_link_did_near_an_outage_is_told_beside_it_and_nothing_further_away() -> None:
    happenings = [
        *outage(0.5, 2.0),
        happened(0.5 + 4 / 3600, Roamed("ap-1", "ap-2")),
        happened(0.5 - 8 / 3600, ChannelMoved(36, 80, 52, 80)),
    ]
    (one,) = summarise(made_night(seconds=watched(1.0), happenings=happenings), UTC).outages
    assert one.beside == ("a roam",)


def test_tests_are_counted_by_what_they_turned_out_to_be() -> None:
    """Rates as statsmodels has them (Clopper and Pearson 1934), percentiles as numpy."""
    series = list(a_series(5, 120, seed=2, failed=(10, 11)))
    series[20] = replace(series[20], status=Status.INVALID, reason="the server was busy")
    series[21] = replace(series[21], status=Status.INTERRUPTED, reason="stopped", throughput_mbps=None)
    series[22] = replace(series[22], flags=(Flag("roamed", "made up", "doubt"), Flag("scan", "made up", "note")))
    ((case,),) = [config.cases for config in summarise(made_night(series), UTC).configs]
    assert (case.tests, case.interrupted, case.doubtful) == (148, 1, 1)
    assert case.invalid == (("the server was busy", 1),)
    assert case.failed is not None
    assert (case.failed.low, case.failed.high) == pytest.approx(proportion_confint(2, 148, method="beta"))
    valid = [one.throughput_mbps for one in series if one.status is Status.OK and one.throughput_mbps]
    assert case.throughput_mbps is not None
    assert [case.throughput_mbps.p5, case.throughput_mbps.p50, case.throughput_mbps.p95] == pytest.approx(
        np.percentile(valid, [5, 50, 95])
    )
    assert case.throughput_mbps.n == 146


def test_a_short_series_has_rates_and_no_course() -> None:
    summary = summarise(made_night(a_series(2, 120, seed=1)), UTC)
    (case,) = summary.configs[0].cases
    assert case.levels is None
    assert case.too_short == "60 valid tests in 2.0 h; steps and drift need 96 in 4 h"
    assert "too short for steps and drift: 60 valid tests" in printed(soak_screen([summary], {}))


def test_a_case_in_which_nothing_says_anything() -> None:
    series = [replace(one, status=Status.INVALID, reason="no Wi-Fi") for one in a_series(1, 600, seed=1)]
    (case,) = summarise(made_night(series), UTC).configs[0].cases
    assert (case.tests, case.failed, case.throughput_mbps, case.levels) == (0, None, None, None)
    printed(soak_screen([summarise(made_night(series), UTC)], {}))


def test_what_belongs_to_an_ap_config_is_what_happened_while_it_was_applied() -> None:
    turns = [
        replace(a_turn(), visit_id=SOAK_ID, turn=1, ap_config="auto", started_at=EVENING),
        replace(a_turn(), visit_id=SOAK_ID, turn=2, ap_config="wide80", started_at=at_h(1)),
    ]
    happenings = [
        *outage(0.5, 18.0),
        *outage(1.2, 3.0),
        *outage(1.6, 3.0),
        happened(1.3, Roamed("ap-1", "ap-2")),
        happened(0.99, SwitchTried(2, "wide80", 1, False, 1.0, "no such host", None, "it ended with exit code 1")),
        happened(0.999, SwitchTried(2, "wide80", 2, True, 1.0, "", 12.5, "")),
    ]
    night = made_night(
        a_series(2, 120, seed=1, ap_config=lambda hour: "auto" if hour < 1 else "wide80"),
        watched(2.0, happenings),
        happenings,
        turns,
    )
    auto, wide80 = summarise(night, UTC).configs
    assert [sum(one.is_dropout for one in config.outages) for config in (auto, wide80)] == [1, 2]
    assert auto.presence.usable_share == pytest.approx(1 - 18 / 3600)
    assert wide80.presence.usable_share == pytest.approx(1 - 6 / 3600)
    assert (auto.roams, wide80.roams) == (0, 1)
    assert auto.switches is None
    assert wide80.switches is not None
    assert (wide80.switches.tried, wide80.switches.failed, wide80.switches.back_s) == (2, 1, (12.5, 12.5))
    shown = printed(soak_screen([summarise(night, UTC)], {}))
    assert "AP configs: A auto, B wide80." in shown
    assert "`sitetest compare --factor ap_config` says that" in shown


def test_idle_round_trips_and_loss_leave_out_tests_and_outages() -> None:
    happenings = outage(0.5, 60.0)
    seconds = watched(1.0, happenings, doing=lambda hour: Doing.TRANSFER if hour < 0.25 else Doing.NOTHING)
    loaded = [replace(one, rtt_p50_ms=80.0, answered=5) if one.doing is Doing.TRANSFER else one for one in seconds]
    (config,) = summarise(made_night(seconds=loaded, happenings=happenings), UTC).configs
    assert config.idle_ms is not None
    assert (config.idle_ms.p50, config.idle_ms.p95) == (2.0, 2.0)
    assert config.loss_pct == pytest.approx(0.0)


def test_hours_are_of_the_zone_that_is_asked_for() -> None:
    (case,) = summarise(made_night(a_series(2, 600, seed=1)), timezone(timedelta(hours=2))).configs[0].cases
    assert [hour for hour, _ in case.hourly_mbps] == [0, 1]


def test_one_night_says_nothing_about_the_time_of_day_and_three_may() -> None:
    """The same fall at the same hour every night; Friedman's test has the last word (scipy), on the hourly medians."""

    def evening(day: int) -> NightSummary:
        series = a_series(6, 120, seed=day, level=lambda hour: 200.0 if 2 <= hour < 3 else 300.0)
        moved = [replace(one, started_at=one.started_at + timedelta(days=day)) for one in series]
        night = made_night(moved)
        return summarise(replace(night, visit=replace(night.visit, started_at=EVENING + timedelta(days=day))), UTC)

    nights = [evening(day) for day in range(5)]
    (one,) = time_of_day(nights[:1]).values()
    assert (one.nights, one.p, one.matters) == (1, None, None)
    (same_day,) = time_of_day([nights[0]] * 3).values()
    assert same_day.nights == 1
    (five,) = time_of_day(nights).values()
    assert five.matters
    hours = dict(five.hourly_mbps)
    assert hours[0] < 0.8 * hours[23]
    table = [[dict(night.configs[0].cases[0].hourly_mbps)[hour] for night in nights] for hour in hours]
    assert five.p == pytest.approx(friedmanchisquare(*table).pvalue)
    assert "over 5 nights the hour makes a difference" in printed(soak_screen(nights, time_of_day(nights)))


def test_the_strip_shows_what_happened_where_it_happened() -> None:
    happenings = [
        *outage(3.0, 2.0),
        *outage(6.0, 600.0, Cause.SERVER),
        happened(8.05, Slept(1000.0, False)),
    ]
    seconds = [*watched(4.0, happenings), *watched(10.0, happenings, begin_h=5.0)]
    night = made_night(a_series(10, 600, seed=1, cv=0.01, failed=(0,)), seconds, happenings)
    strip = strip_of(summarise(night, UTC))
    assert strip.step_s == pytest.approx(600, rel=0.01)
    assert len(strip.path) == 60
    assert strip.path[18] == "D"
    assert set(strip.path[24:30]) <= {" ", "-"}
    assert strip.path[27] == " "
    assert strip.path[36] == "o"
    assert strip.path[47] == "s"
    ((kind, line),) = strip.tests
    assert kind == ("lan", "http", "download")
    assert line[0] == "x"
    assert set(line[1:]) <= {"9"}
    assert strip.hours.startswith("22:00")


def test_a_long_list_is_shortened_on_the_screen_and_whole_in_the_document() -> None:
    happenings = [one for number in range(40) for one in outage(0.1 + number / 20, 1.0)]
    summary = summarise(made_night(seconds=watched(3.0), happenings=happenings), UTC)
    shown = printed(soak_screen([summary], {}))
    assert f"and {40 - MOST_LISTED} more (all of them: --json)" in shown
    (night,) = nights_document([summary], {})["nights"]
    assert len(night["dropouts"]) == 40
    json.dumps(night, allow_nan=False)


def test_names_that_others_wrote_move_no_cursor() -> None:
    night = made_night(a_series(1, 120, seed=1), watched(1.0))
    night = replace(night, visit=replace(night.visit, location="vault\x1b[2J[red]", profile="\u202eabc"))
    shown = printed(soak_screen([summarise(night, UTC)], {}))
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "[red]" in shown


def test_rounds_that_were_passed_over_are_told_with_their_reason() -> None:
    happenings = [happened(0.1 * n, RoundPassed(n, "path_away")) for n in range(1, 4)]
    summary = summarise(made_night(seconds=watched(1.0), happenings=happenings), UTC)
    assert summary.passed == (("path_away", 3),)
    assert "3 rounds not tested: the path was away." in printed(soak_screen([summary], {}))


def test_a_night_is_read_from_the_store_as_it_was_kept(tmp_path: Path) -> None:
    series = a_series(0.2, 120, seed=1)
    happenings = outage(0.1, 5.0)
    with Store.open(tmp_path / "site.sqlite", create=True) as store:
        store.begin_visit(a_visit())
        store.begin_visit(a_soak(started_at=EVENING))
        store.begin_turn(replace(a_turn(), visit_id=SOAK_ID, started_at=EVENING))
        for one in series:
            store.begin_attempt(announced(one))
            store.end_attempt(one)
        store.add_watch_seconds(SOAK_ID, watched(0.2, happenings))
        for happening in happenings:
            event = happening.event
            store.add_event(EventRecord(SOAK_ID, happening.at, 0.0, kind_of(event), detail_of(event)))
        store.add_event(EventRecord(SOAK_ID, at_h(0.1), 0.0, "noted", "{}"))
        (visit,) = soaks(store.visits())
        night = read_night(store, visit)
    expected = made_night(series, watched(0.2, happenings), happenings, outcome=None)
    assert night.happenings == expected.happenings[1:]
    assert [one.test_id for one in night.attempts] == [one.test_id for one in series]
    ours, theirs = summarise(night, UTC), summarise(expected, UTC)
    assert nights_document([ours], {}) == nights_document([theirs], {})


@pytest.mark.parametrize(
    "event",
    [
        OutageBegan(at_h(1)),
        OutageEnded(at_h(1), 2.5, 0.1, Cause.LINK, "no carrier"),
        PartBegan(True, None, False, "nobody to ask"),
        Slept(3.5, True),
        Roamed(None, "ap-2"),
        ChannelMoved(36, None, 52, 80),
        SwitchTried(3, "wide80", 1, True, 2.0, "ok \u202e", None, ""),
        RoundPassed(7, "busy"),
    ],
)
def test_events_are_read_as_they_were_written(event: SoakEvent) -> None:
    record = EventRecord(SOAK_ID, EVENING, 0.0, kind_of(event), detail_of(event))
    assert soak_event_of(record) == event
    with pytest.raises(ValueError, match=kind_of(event)):
        soak_event_of(replace(record, detail="{"))


def test_a_drift_is_told_with_what_it_rests_on() -> None:
    summary = summarise(made_night(a_series(9, 120, seed=5, level=falling(-0.2, 9))), UTC)
    shown = printed(soak_screen([summary], {}))
    assert "falling by 2." in shown
    assert "over the night (p = " in shown


def test_answers_that_were_only_late_are_no_outage() -> None:
    late = [happened(0.5, OutageBegan(at_h(0.5))), happened(0.51, OutageEnded(at_h(0.5), 0.0, 0.1, Cause.LATE, "late"))]
    summary = summarise(made_night(seconds=watched(1.0), happenings=late), UTC)
    assert summary.outages == ()
    assert summary.presence.judged_s == 3600


def test_every_cause_and_every_reason_has_its_words() -> None:
    reasons = {PATH_AWAY, DISK_FULL, DATA_CAP, BUSY, SWITCHING, NOT_APPLIED, STOOD_STILL}
    assert set(PASSED_WORDS) == reasons
    assert set(CAUSE_WORDS) == {cause.value for cause in Cause} - {"late"}
