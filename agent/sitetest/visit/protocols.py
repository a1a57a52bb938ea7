"""What the conductor needs from the rest of the house, so that it can be driven by fakes in tests.

May import the records and plan types, those of engines.base and observe, sitetest_wire and the standard library only.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from sitetest.engines.base import Reflector, TransferSpec
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.plan.cases import Leg, Turn
from sitetest.store.records import (
    AttemptRecord,
    EventRecord,
    Flag,
    TurnRecord,
    VisitRecord,
)
from sitetest.visit.diagnosis import Diagnosis, Route
from sitetest.visit.expected_radio import Mismatch
from sitetest_wire.samples import Sample


class Clock(Protocol):
    """Time, as something that is passed in. The real one is :class:`sitetest.visit.clock.SystemClock`."""

    def now(self) -> datetime:
        """UTC wall clock, timezone-aware. May jump."""

    def monotonic_s(self) -> float:
        """Seconds that never go back."""

    async def sleep(self, duration_s: float) -> None:
        """Wait."""


class Keeper(Protocol):
    """Where facts go. The real one is :class:`sitetest.store.database.Store`. Every call returns after the data is on
    disk, or raises a StoreError and has changed nothing."""

    def begin_visit(self, visit: VisitRecord) -> None:
        """Keep the visit and its plan; before the first attempt."""

    def begin_turn(self, turn: TurnRecord) -> None:
        """Keep that a turn began."""

    def begin_attempt(self, record: AttemptRecord) -> None:
        """Keep that an attempt is about to run, as the ``interrupted`` record that it will be if the agent dies now."""

    def end_attempt(self, record: AttemptRecord) -> None:
        """Keep the finished attempt, its seconds and flags, in place of what :meth:`begin_attempt` announced, and bring
        ``results.csv`` up to date."""

    def add_flag(self, test_id: str, flag: Flag) -> None:
        """Add a flag to an attempt that is already kept."""

    def add_event(self, event: EventRecord) -> None:
        """Keep something that happened."""

    def end_visit(self, visit_id: str, at: datetime, outcome: str) -> None:
        """Keep how the visit ended. An interrupted visit may be resumed; a complete one may not."""

    def attempts(self, visit_id: str) -> Sequence[AttemptRecord]:
        """Every attempt of a visit in the order in which it ran, without seconds and raw text."""


class Beside(Protocol):
    """The observers of one attempt. Nothing here raises but a cancellation, and nothing waits longer than it says.

    idle_before, idle_after: called through the engine's watch (see :class:`sitetest.engines.base.Watch`); each takes a
    second, or a tenth of a short transfer. They are not called when the transfer does not come that far.
    """

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Ask for round trips over the idle path; return when the load may begin."""

    async def idle_after(self) -> None:
        """Ask for round trips over the path that is idle again."""

    def link_now(self) -> LinkSample | None:
        """The last link sample, for display; None while there is none."""

    def loaded(self, sample: Sample) -> None:
        """Take note of the load, so that the probes stay below their share of it."""

    async def finish(self) -> Observed:
        """Stop all observers and return what they saw."""

    def abandon(self) -> None:
        """Stop all observers at once and keep nothing: the attempt was cancelled. Nothing to do after `finish`."""


class Observers(Protocol):
    """Makes the observers of an attempt. The real one is :class:`sitetest.observe.beside.SystemObservers`."""

    async def beside(self, spec: TransferSpec, route: Route | None, leg: Leg) -> Beside:
        """Begin to observe: read the slow facts of the interface that the route names. leg: whose server is asked."""


class RadioAnswer(StrEnum):
    """What to do about a laptop that is on another radio than the site declares."""

    LOOK_AGAIN = "look_again"
    GO_ON = "go_on"
    STOP = "stop"


class RadioCheck(Protocol):
    """Looks which radio the laptop is on. The real one is :class:`sitetest.visit.radio_check.LinkRadioCheck`."""

    async def look(self, turn: Turn) -> Mismatch | None:
        """Take one look, within about a second; None when all that site and system both tell agrees."""


class Operator(Protocol):
    """The person in the room."""

    async def switch_to(self, turn: Turn) -> None:
        """Ask the person to apply the turn's AP config; return when they say that it is done."""

    async def reassociate(self, turn: Turn) -> bool:
        """Ask the person to take the laptop off the network and back on; False when nobody is there to ask."""

    async def wrong_radio(self, turn: Turn, mismatch: Mismatch) -> RadioAnswer:
        """Ask what to do about a laptop that is not on the radio of the turn's AP config; ``STOP`` when nobody is there
        to ask."""


class Path(Protocol):
    """What can be asked of the network and the server between transfers."""

    async def answers(self, leg: Leg) -> bool:
        """Whether the server of that leg answers now, asked once, within a few seconds."""

    async def route(self, leg: Leg) -> Route | None:
        """Which way packets to that leg's server leave the laptop now; None: no way, or no telling. Asks the laptop
        alone. :meth:`diagnose` speaks about the interface of the last route found."""

    async def diagnose(self, leg: Leg) -> Diagnosis:
        """Ask association, gateway and server, right after an attempt that went wrong."""

    async def reassociate(self) -> str:
        """Ask the system for a fresh association; returns one of the words of `visit/association.py`."""


@dataclass(frozen=True, slots=True)
class Applied:
    """What came of an apply command. problem: what went wrong, in words; None when it worked. output: what it said, the
    last part of it, whether it worked or not."""

    problem: str | None
    output: str = ""


class Switch(Protocol):
    """Applies an AP config by its command."""

    async def apply(self, ap_config: str, stop: asyncio.Event) -> Applied:
        """Run the command of that AP config. It is ended when ``stop`` is set."""
