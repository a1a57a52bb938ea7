"""Says what happens: to the subscribers, and where it belongs into the record, to the store.

A subscriber that fails cannot stop the visit (`visit/listeners.py`). May import visit.events, visit.listeners,
visit.protocols, store.records and the standard library only.
"""

import json
from collections.abc import Mapping, Sequence

from sitetest.store.records import EventRecord
from sitetest.visit.events import Event, Noted, Subscriber
from sitetest.visit.listeners import Listeners
from sitetest.visit.protocols import Clock, Keeper


class Announcer:
    """Speaks for one part of a visit. began_s: when it began, on the monotonic clock."""

    def __init__(self, visit_id: str, keeper: Keeper, subscribers: Sequence[Subscriber], clock: Clock) -> None:
        self._visit_id = visit_id
        self._keeper = keeper
        self._listeners = Listeners(subscribers)
        self._clock = clock
        self.began_s = clock.monotonic_s()

    @property
    def offset_s(self) -> float:
        """Seconds of the monotonic clock since this part of the visit began."""
        return self._clock.monotonic_s() - self.began_s

    def publish(self, event: Event) -> None:
        """Tell the subscribers."""
        self._listeners.tell(event)

    def keep_and_publish(self, event: Event, kind: str, detail: Mapping[str, object]) -> None:
        """Keep that it happened, then tell the subscribers. Raises StoreError."""
        text = json.dumps(detail, ensure_ascii=False)
        self._keeper.add_event(EventRecord(self._visit_id, self._clock.now(), self.offset_s, kind, text))
        self.publish(event)

    def note(self, code: str, text: str) -> None:
        """Keep and tell something that is worth knowing and stops nothing. Raises StoreError."""
        self.keep_and_publish(Noted(code, text), "noted", {"code": code, "text": text})
