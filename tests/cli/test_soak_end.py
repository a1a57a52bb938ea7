"""When a soak is to end, from what people type: lengths, times on the wall over a change of clocks, rounds."""

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitetest.cli.soak_end import SoakEnd, soak_end
from sitetest.errors import Exit, UsageError

NOW = datetime(2026, 1, 15, 22, 0, tzinfo=UTC)
RULE = "XST-1XDT,M3.5.0,M10.5.0/3"
"""A zone in the form of POSIX (base definitions, 8.3, TZ): one hour ahead, two in summer; clocks change on the last
Sundays of March (29 March 2026, 02:00 -> 03:00) and October (25 October 2026, 03:00 -> 02:00)."""


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    if not hasattr(time, "tzset"):
        pytest.skip("this system takes no time zone from TZ")
    monkeypatch.setenv("TZ", RULE)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def until(text: str, now: datetime = NOW) -> str:
    end = soak_end(None, text, None, now).until
    assert end is not None
    assert end.tzinfo is UTC
    return end.strftime("%Y-%m-%d %H:%M:%S")


def refused(**options: str | int) -> UsageError:
    with pytest.raises(UsageError) as caught:
        soak_end(options.get("length"), options.get("until"), options.get("rounds"), NOW)  # type: ignore[arg-type]
    assert caught.value.exit_code == Exit.WRONG_USE
    return caught.value


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("9h", timedelta(hours=9)),
        ("90m", timedelta(minutes=90)),
        ("1h30m", timedelta(minutes=90)),
        ("1H 30M", timedelta(minutes=90)),
        ("45s", timedelta(seconds=45)),
        ("2d", timedelta(days=2)),
        ("1d1h1m1s", timedelta(days=1, hours=1, minutes=1, seconds=1)),
        ("31d", timedelta(days=31)),
    ],
)
def test_a_length_of_time_is_read(text: str, wanted: timedelta) -> None:
    assert soak_end(text, None, None, NOW) == SoakEnd(until=NOW + wanted)


@pytest.mark.parametrize("text", ["", "h", "9", "9x", "30m1h", "1.5h", "-1h", "0h", "9h9", "9hh", "\u0663h", "9 hours"])
def test_what_is_no_length_is_refused_with_what_is(text: str) -> None:
    if text == "\u0663h":  # a digit of another script is a digit
        assert soak_end(text, None, None, NOW) == SoakEnd(until=NOW + timedelta(hours=3))
        return
    message = refused(length=text).message
    assert message.startswith(f'--for: found "{text}"')
    assert message.endswith("allowed: a length of time such as 9h, 90m, 1h30m, 45s or 2d")


def test_a_number_without_a_unit_is_asked_back() -> None:
    assert refused(length="90").message.startswith('--for: found "90": 90 of what?')


@pytest.mark.parametrize("text", ["32d", "745h", "999999999999999999999s", "9" * 5000 + "h"])
def test_a_length_that_cannot_be_meant_is_refused(text: str) -> None:
    problem = refused(length=text)
    assert problem.message.endswith("allowed: at most 31 days from now")
    assert len(problem.message) < 150


@given(st.text(max_size=12))
@settings(max_examples=300, deadline=None)
def test_whatever_is_typed_is_an_end_to_come_or_an_error_for_people(text: str) -> None:
    for length, time_of_day in ((text, None), (None, text)):
        try:
            end = soak_end(length, time_of_day, None, NOW).until
        except UsageError as problem:
            told = problem.message
        else:
            assert end is not None
            assert NOW < end <= NOW + timedelta(days=32)
            told = str(end)
        assert told.isprintable()


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize(
    ("text", "now", "wanted"),
    [
        ("07:30", "2026-01-15 22:00", "2026-01-16 06:30:00"),  # 23:00 on the wall: tomorrow
        ("7:30", "2026-01-15 22:00", "2026-01-16 06:30:00"),
        ("23:30", "2026-01-15 22:00", "2026-01-15 22:30:00"),  # in half an hour
        ("23:00", "2026-01-15 22:00", "2026-01-16 22:00:00"),  # now: tomorrow
        ("23:00:01", "2026-01-15 22:00", "2026-01-15 22:00:01"),
        ("00:00", "2026-01-15 22:00", "2026-01-15 23:00:00"),
        ("07:30", "2026-03-28 21:00", "2026-03-29 05:30:00"),  # a night that is an hour shorter
        ("07:30", "2026-10-24 20:00", "2026-10-25 06:30:00"),  # a night that is an hour longer
        ("02:30", "2026-03-28 21:00", "2026-03-29 01:30:00"),  # never on the wall that night: 03:30 is
        ("02:30", "2026-10-24 20:00", "2026-10-25 00:30:00"),  # twice: the first
        ("02:30", "2026-10-25 00:45", "2026-10-25 01:30:00"),  # twice: the second is still to come
        ("2026-01-16T07:30", "2026-01-15 22:00", "2026-01-16 06:30:00"),
        ("2026-01-16 07:30", "2026-01-15 22:00", "2026-01-16 06:30:00"),
        ("2026-01-16T07:30:00Z", "2026-01-15 22:00", "2026-01-16 07:30:00"),
        ("2026-01-16T07:30+05:00", "2026-01-15 22:00", "2026-01-16 02:30:00"),
    ],
)
def test_a_time_is_that_of_the_clock_on_the_wall(text: str, now: str, wanted: str) -> None:
    assert until(text, datetime.fromisoformat(now).replace(tzinfo=UTC)) == wanted


@pytest.mark.parametrize(
    "text", ["", "7", "0730", "24:00", "07:60", "07:30pm", "tomorrow", "2026-01-16", "2026-13-01T07:30"]
)
def test_what_is_no_time_is_refused_with_what_is(text: str) -> None:
    message = refused(until=text).message
    assert message.startswith(
        f'--until: found "{text}"; allowed: a time of day such as 07:30, or a whole date and time'
    )


def test_a_time_that_has_passed_or_is_far_away_is_refused() -> None:
    assert refused(until="2026-01-15T21:00:00Z").message == '--until: "2026-01-15T21:00:00Z" was 1 h 00 min ago.'
    assert refused(until="2027-01-15T21:00:00Z").message.endswith("allowed: at most 31 days from now")


def test_rounds_are_counted() -> None:
    assert soak_end(None, None, 100, NOW) == SoakEnd(rounds=100)
    for rounds in (0, -1, 1_000_001):
        assert refused(rounds=rounds).message == f"--rounds: found {rounds}; allowed: a whole number from 1 to 1000000"


def test_exactly_one_end_is_wanted() -> None:
    assert refused().message == "A soak needs to know when it ends: none of --for, --until and --rounds is given."
    assert "--for 9h, or --until 07:30" in refused().next_step
    for options in ({"length": "9h", "until": "07:30"}, {"length": "9h", "rounds": 3}, {"until": "07:30", "rounds": 3}):
        assert refused(**options).message == "A soak has one end: give only one of --for, --until and --rounds."
