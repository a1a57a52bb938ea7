"""Says what happens in a soak: to the subscribers, and where it belongs into the record, to the store.

As `visit/announcer.py`, for the events of a soak. May import store, visit.listeners, visit.protocols, visit.events,
visit.soak and the standard library only.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from sitetest.store.records import EventRecord
from sitetest.store.soak_events import SoakEvent, detail_of, kind_of
from sitetest.visit.events import Noted, SwitchStarted
from sitetest.visit.listeners import Listeners
from sitetest.visit.protocols import Clock, Keeper
from sitetest.visit.soak.events import Happened, SoakHappening, SoakSubscriber


class SoakAnnouncer:
    """Speaks for one part of a soak. began_s: when it began, on the monotonic clock."""

    def __init__(self, visit_id: str, keeper: Keeper, subscribers: Sequence[SoakSubscriber], clock: Clock) -> None:
        self._visit_id = visit_id
        self._keeper = keeper
        self._listeners = Listeners(subscribers)
        self._clock = clock
        self.began_s = clock.monotonic_s()

    def publish(self, happening: SoakHappening) -> None:
        """Tell the subscribers."""
        self._listeners.tell(happening)

    def happened(self, event: SoakEvent, at_s: float | None = None) -> None:
        """Keep that something happened, then tell the subscribers. at_s: when, on the monotonic clock; None: now.
        Raises StoreError."""
        at = self._keep(kind_of(event), detail_of(event), at_s)
        self.publish(Happened(at, event))

    def note(self, code: str, text: str) -> None:
        """Keep and tell something that is worth knowing and stops nothing. Raises StoreError."""
        self._keep("noted", json.dumps({"code": code, "text": text}, ensure_ascii=False))
        self.publish(Noted(code, text))

    def switch_started(self, started: SwitchStarted) -> None:
        """Keep and tell that an AP config is being applied, as a run does. Raises StoreError."""
        detail: Mapping[str, object] = {
            "turn": started.turn.number,
            "ap_config": started.turn.ap_config,
            "by": started.by,
        }
        self._keep("switch_started", json.dumps(detail, ensure_ascii=False))
        self.publish(started)

    def _keep(self, kind: str, detail: str, at_s: float | None = None) -> datetime:
        now_s = self._clock.monotonic_s()
        when_s = now_s if at_s is None else at_s
        at = self._clock.now() - timedelta(seconds=now_s - when_s)
        self._keeper.add_event(EventRecord(self._visit_id, at, when_s - self.began_s, kind, detail))
        return at
