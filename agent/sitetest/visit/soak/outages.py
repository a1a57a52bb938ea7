"""Outages of the path while a soak runs: kept as they begin, asked about while they last, kept again with their cause.

What begins while we switch AP configs is none: its length is the switch's ``back_s``. When the switch is over and the
path is still away, it is one from then on.

While one lasts the network is asked again and again; when neither the server nor its machine answers for long, the
server is looked for at another address. May import observe.watch.seen, plan, store.soak_events, visit and the standard
library only.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sitetest.observe.watch.seen import Away, Back
from sitetest.plan.cases import Leg
from sitetest.store.soak_events import Cause, OutageBegan, OutageEnded
from sitetest.visit.protocols import Clock, Path
from sitetest.visit.soak.doing_log import DoingLog
from sitetest.visit.soak.outage_cause import Told, cause_of
from sitetest.visit.soak.patience import SoakPatience
from sitetest.visit.soak.protocols import Whereabouts
from sitetest.visit.soak.soak_announcer import SoakAnnouncer

SEARCHED_FOR = frozenset({Cause.PATH, Cause.HOST})
"""What a server that has moved to another address looks like."""


@dataclass(slots=True)
class _Open:
    """An outage that lasts. kept: it stands in the store; not while it is a switch's. from_s, from_at: where it is
    counted from, when that is not its first unanswered probe."""

    kept: bool = False
    from_s: float | None = None
    from_at: datetime | None = None
    told: Told = field(default_factory=Told)
    asking: asyncio.Task[None] | None = None


class Outages:
    """Takes what the watch tells. leg: whose server is watched. on_fault: told of an exception that nobody foresaw."""

    def __init__(
        self,
        *,
        leg: Leg,
        path: Path,
        whereabouts: Whereabouts | None,
        clock: Clock,
        announcer: SoakAnnouncer,
        doing: DoingLog,
        patience: SoakPatience,
        on_fault: Callable[[BaseException], None],
    ) -> None:
        self._leg = leg
        self._path = path
        self._whereabouts = whereabouts
        self._clock = clock
        self._announcer = announcer
        self._doing = doing
        self._patience = patience
        self._on_fault = on_fault
        self._open: _Open | None = None

    @property
    def lasting(self) -> bool:
        """Whether the watch has told of an absence and not of its end; a switch's own included."""
        return self._open is not None

    @property
    def path_away(self) -> bool:
        """Whether a test would come to nothing now. When the test server answers and its reflector alone is silent, it
        would not."""
        return self._open is not None and self._open.told.last is not Cause.REFLECTOR

    def began(self, away: Away) -> None:
        """Nothing has answered for a while."""
        self.forget()
        self._open = _Open()
        if not self._doing.switched_at(away.began_s):
            self._begin(self._open, _utc(away.began_unix_s))
        elif not self._doing.switching:
            self.switch_ended()  # it began in the last moment of a switch that is over by now

    def switch_ended(self) -> None:
        """No AP config is being applied any more: an absence that goes on is an outage from now on."""
        if self._open is not None and not self._open.kept:
            self._open.from_s, self._open.from_at = self._clock.monotonic_s(), self._clock.now()
            self._begin(self._open, self._open.from_at)

    def ended(self, back: Back) -> None:
        """An outage is over, whole; also one that nobody was told of while it lasted."""
        lasting = self._open if back.was_told else None
        if back.was_told:
            self.forget()
        if lasting is None:
            lasting = _Open(kept=not self._doing.switched_at(back.began_s))
        if not lasting.kept:
            return
        cause, why = cause_of(back, lasting.told.counts)
        began_at, length_s = _utc(back.began_unix_s), back.length_s
        if lasting.from_s is not None and lasting.from_at is not None:
            began_at = lasting.from_at
            length_s = max(0.0, back.began_s + back.length_s - lasting.from_s)
        self._announcer.happened(OutageEnded(began_at, length_s, back.unsure_s, cause, why))

    def forget(self) -> None:
        """Let go of an outage whose end nobody will see."""
        if self._open is not None and self._open.asking is not None:
            self._open.asking.cancel()
        self._open = None

    def _begin(self, lasting: _Open, began_at: datetime) -> None:
        lasting.kept = True
        self._announcer.happened(OutageBegan(began_at))
        lasting.asking = asyncio.create_task(self._ask(lasting.told), name="questions about an outage")
        lasting.asking.add_done_callback(self._asked)

    async def _ask(self, told: Told) -> None:
        search_at_s = self._clock.monotonic_s() + self._patience.search_after_s
        while True:
            meaning = told.add(await self._path.diagnose(self._leg))
            if self._whereabouts is not None and self._clock.monotonic_s() >= search_at_s and meaning in SEARCHED_FOR:
                found = await self._whereabouts.find_again()
                if found is not None:
                    self._announcer.note("server_moved", f"The server was found again at another address: {found}.")
                search_at_s = self._clock.monotonic_s() + self._patience.search_after_s
            await self._clock.sleep(self._patience.diagnose_every_s)

    def _asked(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (problem := task.exception()) is not None:
            logging.getLogger(__name__).error("the network cannot be asked about an outage", exc_info=problem)
            self._on_fault(problem)


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, UTC)
