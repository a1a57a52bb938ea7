"""When a soak is to end: ``--for``, ``--until`` or ``--rounds``, exactly one of them.

Local times are those of this computer's time zone, its change of clocks included: 07:30 tomorrow is 07:30 on the wall,
however many hours that are. May import errors, plan.mistakes, report.wording and the standard library only.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from sitetest.errors import UsageError
from sitetest.plan.mistakes import quoted
from sitetest.report.wording import duration_text

LONGEST = timedelta(days=31)
"""A soak that is to last longer is a slip of the hand."""

MOST_ROUNDS = 1_000_000

_UNITS = {"d": 86400, "h": 3600, "m": 60, "s": 1}
_LENGTH = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?")
_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")

_LENGTHS = "a length of time such as 9h, 90m, 1h30m, 45s or 2d"
_TIMES = "a time of day such as 07:30, or a whole date and time such as 2026-03-03T07:30"


@dataclass(frozen=True, slots=True)
class SoakEnd:
    """until: in UTC; rounds. Exactly one of them."""

    until: datetime | None = None
    rounds: int | None = None


def soak_end(length: str | None, until: str | None, rounds: int | None, now: datetime) -> SoakEnd:
    """Read the three options. now: with an offset. Raises UsageError unless exactly one is given, and for one that says
    nothing that can be meant."""
    given = [value for value in (length, until, rounds) if value is not None]
    if len(given) != 1:
        raise UsageError(
            "A soak needs to know when it ends: none of --for, --until and --rounds is given."
            if not given
            else "A soak has one end: give only one of --for, --until and --rounds.",
            "For a night: --for 9h, or --until 07:30. For a number of rounds: --rounds 100.",
        )
    if rounds is not None:
        if not 1 <= rounds <= MOST_ROUNDS:
            raise UsageError(f"--rounds: found {rounds}; allowed: a whole number from 1 to {MOST_ROUNDS}")
        return SoakEnd(rounds=rounds)
    if length is not None:
        return SoakEnd(until=now.astimezone(UTC) + _length(length))
    return SoakEnd(until=_until(until or "", now))


def _length(text: str) -> timedelta:
    """Read ``1h30m``."""
    found = _LENGTH.fullmatch(text.replace(" ", "").lower())
    digits = [] if found is None else [part or "0" for part in found.groups()]
    if any(len(part) > 9 for part in digits):
        raise _too_long("--for", text)
    length = timedelta(seconds=sum(int(part) * unit for part, unit in zip(digits, _UNITS.values(), strict=False)))
    if not length:
        number = f": {text.strip()} of what?" if text.strip().isdecimal() else ""
        raise UsageError(f"--for: found {quoted(text)}{number}; allowed: {_LENGTHS}")
    if length > LONGEST:
        raise _too_long("--for", text)
    return length


def _until(text: str, now: datetime) -> datetime:
    wanted = text.strip()
    of_day = _TIME_OF_DAY.fullmatch(wanted)
    try:
        if of_day:
            hour, minute, second = (int(part or 0) for part in of_day.groups())
            return _next_time(time(hour, minute, second), now)
        if "-" not in wanted.partition("T")[0].partition(" ")[0] or ":" not in wanted:
            raise ValueError("a date and a time are wanted")
        end = datetime.fromisoformat(wanted).astimezone(UTC)
    except (ValueError, OverflowError) as problem:
        raise UsageError(f"--until: found {quoted(text)}; allowed: {_TIMES}") from problem
    if end <= now:
        ago = duration_text((now - end).total_seconds())
        raise UsageError(f"--until: {quoted(text)} was {ago} ago.", f"Give a time that is to come: {_TIMES}.")
    if end - now > LONGEST:
        raise _too_long("--until", text)
    return end


def _next_time(wanted: time, now: datetime) -> datetime:
    """Return when the clock on the wall next shows a time. Where clocks go forward over it, it is the moment at which
    it would have been; where they go back, it comes twice, and whichever is next is meant."""
    today = now.astimezone().replace(tzinfo=None)
    moments = [
        moment
        for days in range(3)
        for moment in _moments(datetime.combine(today.date() + timedelta(days=days), wanted))
        if moment > now
    ]
    return min(moments)


def _moments(wall: datetime) -> list[datetime]:
    """Return the moments, one or two, at which the clock on the wall shows a time; as near as can be where it shows it
    not at all. The rules are the system's (PEP 495, by way of `datetime.timestamp`)."""
    told = [datetime.fromtimestamp(wall.replace(fold=fold).timestamp(), UTC) for fold in (0, 1)]
    shown = [moment for moment in told if moment.astimezone().replace(tzinfo=None) == wall]
    return shown or told[:1]


def _too_long(option: str, text: str) -> UsageError:
    return UsageError(
        f"{option}: found {quoted(text)}; allowed: at most {LONGEST.days} days from now",
        "For longer, go on with --resume afterwards.",
    )
