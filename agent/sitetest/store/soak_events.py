"""What happens in a soak, as the events that the store keeps: one dataclass a kind, written and read by the same table.

Who measures writes them with :func:`detail_of`, who analyses reads them with :func:`soak_event_of`; so neither has to
know the other. Times inside are UTC; lengths come from a clock that stops while the laptop sleeps.

Pure. May import store.records and the standard library only.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from types import UnionType
from typing import Any, get_args, get_type_hints

from sitetest.store.records import EventRecord


class Cause(StrEnum):
    """Why nothing answered. LINK: the laptop had no association, or the interface no carrier. PATH: it had, and neither
    gateway nor server's machine answered: air, access point or cable. HOST: the gateway answered and the server's
    machine did not. SERVER: the machine answered and the test server did not. REFLECTOR: the test server answered and
    only its reflector was silent. SLEEP: the laptop had just woken. LATE: the answers were late, not lost, and an
    outage that was told as begun is taken back; its length is 0."""

    LINK = "link"
    PATH = "path"
    HOST = "host"
    SERVER = "server"
    REFLECTOR = "reflector"
    SLEEP = "sleep"
    LATE = "late"


DROPOUT_CAUSES = frozenset({Cause.LINK, Cause.PATH})
"""Causes that make an outage a dropout of the network under test. The others say nothing about it."""


@dataclass(frozen=True, slots=True)
class OutageBegan:
    """Nothing has answered since ``began_at``; kept as soon as it is noticed, so that it stands if the agent dies."""

    KIND = "outage_began"
    began_at: datetime


@dataclass(frozen=True, slots=True)
class OutageEnded:
    """An outage from its begin to its end; closes the open :class:`OutageBegan` if there is one (a short one is only
    known when it is over, and has none).

    began_at: when the first unanswered probe was sent. length_s: from then to the first probe that was answered again,
    sleep left out; unsure_s: by how much it may be too long or too short (the distance of two probes). why: a sentence.
    """

    KIND = "outage_ended"
    began_at: datetime
    length_s: float
    unsure_s: float
    cause: Cause
    why: str


@dataclass(frozen=True, slots=True)
class Slept:
    """The laptop slept, or stood still (``stall``: nothing ran). length_s: for how long. Not a dropout of anything."""

    KIND = "slept"
    length_s: float
    stall: bool


@dataclass(frozen=True, slots=True)
class Roamed:
    """The laptop changed its access point by itself. Labels; None: hidden by this system."""

    KIND = "roamed"
    from_label: str | None
    to_label: str | None


@dataclass(frozen=True, slots=True)
class ChannelMoved:
    """The access point changed channel or width while the laptop stayed on it."""

    KIND = "channel_moved"
    from_channel: int | None
    from_width_mhz: int | None
    to_channel: int | None
    to_width_mhz: int | None


@dataclass(frozen=True, slots=True)
class SwitchTried:
    """An AP config was applied by its command. worked: it ended well. output: what the command said, its last part.
    back_s: from its end until the path answered on the expected radio; None when that did not come about. why: what
    went wrong, empty when nothing did."""

    KIND = "switch_tried"
    turn: int
    ap_config: str
    attempt: int
    worked: bool
    command_s: float
    output: str
    back_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class MeasuringPaused:
    """No tests from now on; the watch goes on. reason: ``disk_full``, ``data_cap``. why: a sentence."""

    KIND = "measuring_paused"
    reason: str
    why: str


@dataclass(frozen=True, slots=True)
class MeasuringResumed:
    """Tests again. length_s: how long there were none."""

    KIND = "measuring_resumed"
    reason: str
    length_s: float


@dataclass(frozen=True, slots=True)
class RoundPassed:
    """A round that was due and not tested. reason: ``path_away``, ``disk_full``, ``data_cap``, ``busy`` (the one before
    took its time), ``switching`` (an AP config was being applied), ``not_applied`` (none could
    be), ``stood_still`` (the laptop did)."""

    KIND = "round_passed"
    round: int
    reason: str


@dataclass(frozen=True, slots=True)
class WatchBlind:
    """Nobody watches the path from now on, or again from now on (``blind`` False). why: a sentence."""

    KIND = "watch_blind"
    blind: bool
    why: str


@dataclass(frozen=True, slots=True)
class PartBegan:
    """This part of the soak began: the first, or one that goes on (``resumed``). until: when it is to end; None where
    rounds are counted. awake: sleep is held off; awake_why: by what, or why not."""

    KIND = "part_began"
    resumed: bool
    until: datetime | None
    awake: bool
    awake_why: str


SoakEvent = (
    OutageBegan
    | OutageEnded
    | Slept
    | Roamed
    | ChannelMoved
    | SwitchTried
    | MeasuringPaused
    | MeasuringResumed
    | RoundPassed
    | WatchBlind
    | PartBegan
)

_BY_KIND: Mapping[str, type[Any]] = {kind.KIND: kind for kind in get_args(SoakEvent)}


def kind_of(event: SoakEvent) -> str:
    """Return the word under which the store keeps an event."""
    return event.KIND


def detail_of(event: SoakEvent) -> str:
    """Return an event as JSON text for :class:`~sitetest.store.records.EventRecord`."""
    values = {field.name: getattr(event, field.name) for field in fields(event)}
    return json.dumps(
        {name: value.isoformat() if isinstance(value, datetime) else value for name, value in values.items()},
        ensure_ascii=False,
    )


def soak_event_of(record: EventRecord) -> SoakEvent | None:
    """Read an event; None for a kind that is not of a soak. Raises ValueError for a detail that is not as it should be.
    Keys that this version does not know are passed over."""
    kind = _BY_KIND.get(record.kind)
    if kind is None:
        return None
    try:
        detail = json.loads(record.detail)
        hints = get_type_hints(kind)
        event: SoakEvent = kind(**{field.name: _read(detail[field.name], hints[field.name]) for field in fields(kind)})
    except (KeyError, TypeError, ValueError) as problem:
        raise ValueError(f"event {record.kind!r} of visit {record.visit_id}: {problem!r}") from problem
    return event


def _read(value: Any, hint: Any) -> Any:
    allowed = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    if value is not None and datetime in allowed:
        return datetime.fromisoformat(value)
    if value is not None and Cause in allowed:
        return Cause(value)
    return value
