"""A keeper for a disk that may be full for hours: what cannot be kept now is held in memory and kept later, in order.

    attempts   none begins while there is no room: `begin_attempt` raises StoreFull, as the store does. One that has
               ended is held like an event
    events, turns, ends of attempts   the store takes them from its reserve as long as that lasts; then they are held
    seconds    are held as soon as the disk is full: they would eat up the reserve

Memory is bounded: of what is held the oldest is dropped and counted. Any other StoreError passes through.

May import errors, store.records, visit and the standard library only.
"""

from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial

from sitetest.errors import StoreFull
from sitetest.store.records import AttemptRecord, EventRecord, Flag, TurnRecord, VisitRecord, WatchSecondRecord
from sitetest.visit.soak.protocols import SoakKeeper

MOST_SECONDS = 8 * 3600
"""Seconds of the watch that are held: some 15 MB."""

MOST_FACTS = 5_000
"""Events, turns and ends of attempts that are held."""

_SECONDS_AT_A_TIME = 600
"""Kept in one transaction when there is room again."""


class HoldingKeeper:
    """Stands before a :class:`SoakKeeper`. full: the disk was full when it was last asked. dropped_seconds,
    dropped_facts: of what was held, since the part began. on_full: called when it becomes full."""

    def __init__(
        self,
        keeper: SoakKeeper,
        on_full: Callable[[], None],
        *,
        most_seconds: int = MOST_SECONDS,
        most_facts: int = MOST_FACTS,
    ) -> None:
        self._keeper = keeper
        self._on_full = on_full
        self._seconds: deque[tuple[str, WatchSecondRecord]] = deque()
        self._facts: deque[Callable[[], None]] = deque()
        self._most_seconds = most_seconds
        self._most_facts = most_facts
        self.full = False
        self.dropped_seconds = 0
        self.dropped_facts = 0

    @property
    def held_seconds(self) -> int:
        """Seconds of the watch that are not on disk yet."""
        return len(self._seconds)

    @property
    def held_facts(self) -> int:
        """Events, turns and ends of attempts that are not on disk yet."""
        return len(self._facts)

    # --- room ------------------------------------------------------------------------------------------------------

    def has_room(self) -> bool:
        """Whether a test could be kept now; when there is room again, what is held is kept first."""
        if not self._keeper.has_room():
            self._is_full()
        elif self.full or self._facts or self._seconds:
            self.full = False
            self.keep_held()
        return not self.full

    def keep_held(self) -> None:
        """Keep what is held, as far as there is room."""
        try:
            while self._facts:
                self._facts[0]()
                self._facts.popleft()
            while self._seconds:
                visit_id = self._seconds[0][0]
                part = [second for _, second in list(self._seconds)[:_SECONDS_AT_A_TIME]]
                self._keeper.add_watch_seconds(visit_id, part)
                for _ in part:
                    self._seconds.popleft()
        except StoreFull:
            self._is_full()

    def _is_full(self) -> None:
        if not self.full:
            self.full = True
            self._on_full()

    def _keep_or_hold(self, keep: Callable[[], None]) -> None:
        if not self._facts:
            try:
                keep()
            except StoreFull:
                pass
            else:
                return
        self._facts.append(keep)
        if len(self._facts) > self._most_facts:
            self._facts.popleft()
            self.dropped_facts += 1
        self._is_full()

    # --- the keeper ------------------------------------------------------------------------------------------------

    def begin_visit(self, visit: VisitRecord) -> None:
        """Keep it now: a soak that cannot even be begun is refused with StoreFull."""
        self._keeper.begin_visit(visit)

    def begin_turn(self, turn: TurnRecord) -> None:
        """Keep or hold it."""
        self._keep_or_hold(partial(self._keeper.begin_turn, turn))

    def begin_attempt(self, record: AttemptRecord) -> None:
        """Keep it now. Raises StoreFull, and then nothing may be measured."""
        if self.full or self._facts:
            raise StoreFull("There is no room left for results: the disk is full.")
        try:
            self._keeper.begin_attempt(record)
        except StoreFull:
            self._is_full()
            raise

    def end_attempt(self, record: AttemptRecord) -> None:
        """Keep or hold it."""
        self._keep_or_hold(partial(self._keeper.end_attempt, record))

    def add_flag(self, test_id: str, flag: Flag) -> None:
        """Keep or hold it."""
        self._keep_or_hold(partial(self._keeper.add_flag, test_id, flag))

    def add_event(self, event: EventRecord) -> None:
        """Keep or hold it."""
        self._keep_or_hold(partial(self._keeper.add_event, event))

    def add_watch_seconds(self, visit_id: str, seconds: Sequence[WatchSecondRecord]) -> None:
        """Keep or hold them."""
        if not self.full:
            try:
                self._keeper.add_watch_seconds(visit_id, seconds)
            except StoreFull:
                pass
            else:
                return
        self._seconds.extend((visit_id, second) for second in seconds)
        while len(self._seconds) > self._most_seconds:
            self._seconds.popleft()
            self.dropped_seconds += 1
        self._is_full()

    def end_visit(self, visit_id: str, at: datetime, outcome: str) -> None:
        """Keep it now. Raises StoreFull; the visit may then be resumed."""
        self._keeper.end_visit(visit_id, at, outcome)

    def attempts(self, visit_id: str) -> Sequence[AttemptRecord]:
        """See :class:`~sitetest.visit.protocols.Keeper`."""
        return self._keeper.attempts(visit_id)
