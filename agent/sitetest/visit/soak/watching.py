"""What becomes of what the watch tells: seconds are kept some at a time, everything else is kept at once as an event.

May import observe.watch.seen, store, visit and the standard library only.
"""

from collections.abc import Callable
from datetime import UTC, datetime

from sitetest.observe.watch.seen import Away, Back, Blind, Move, Roam, Seen, Sleep, WatchSecond
from sitetest.store.records import WatchSecondRecord
from sitetest.store.soak_events import ChannelMoved, Roamed, Slept, WatchBlind
from sitetest.visit.soak.doing_log import DoingLog
from sitetest.visit.soak.events import SecondSeen
from sitetest.visit.soak.outages import Outages
from sitetest.visit.soak.patience import SoakPatience
from sitetest.visit.soak.protocols import PathWatch, SoakKeeper
from sitetest.visit.soak.soak_announcer import SoakAnnouncer


class Watching:
    """Takes the facts of a watch in order of time. slept: told of every sleep."""

    def __init__(
        self,
        *,
        visit_id: str,
        watch: PathWatch,
        keeper: SoakKeeper,
        announcer: SoakAnnouncer,
        doing: DoingLog,
        outages: Outages,
        patience: SoakPatience,
        slept: Callable[[Sleep], None],
    ) -> None:
        self._visit_id = visit_id
        self._watch = watch
        self._keeper = keeper
        self._announcer = announcer
        self._doing = doing
        self._outages = outages
        self._patience = patience
        self._slept = slept
        self._seconds: list[WatchSecondRecord] = []
        self._failed = False

    def take(self, seen: Seen) -> None:
        """Keep one fact and tell it. Raises StoreError."""
        match seen:
            case WatchSecond():
                self._second(seen)
            case Away():
                self._outages.began(seen)
            case Back():
                self._outages.ended(seen)
            case Roam(at_s, from_label, to_label):
                self._announcer.happened(Roamed(from_label, to_label), at_s)
            case Move():
                moved = ChannelMoved(seen.from_channel, seen.from_width_mhz, seen.to_channel, seen.to_width_mhz)
                self._announcer.happened(moved, seen.at_s)
            case Sleep():
                self._slept(seen)
                self._announcer.happened(Slept(seen.length_s, seen.stall))
            case Blind(at_s, blind, why):
                self._announcer.happened(WatchBlind(blind, why), at_s)

    def keep_seconds(self) -> None:
        """Keep the seconds gathered so far, in one transaction. Raises StoreError."""
        if self._seconds:
            gathered, self._seconds = self._seconds, []
            self._keeper.add_watch_seconds(self._visit_id, gathered)

    def failed(self, why: str) -> None:
        """The watch itself has ended, and nobody watches until it is begun again."""
        self.keep_seconds()
        self._outages.forget()
        if not self._failed:
            self._announcer.happened(WatchBlind(blind=True, why=why))
        self._failed = True

    def _second(self, second: WatchSecond) -> None:
        if self._failed:
            self._failed = False
            self._announcer.happened(WatchBlind(blind=False, why="The watch was begun again."))
        self._seconds.append(
            WatchSecondRecord(
                at=datetime.fromtimestamp(second.start_unix_s, UTC),
                offset_s=second.start_s - self._announcer.began_s,
                length_s=second.length_s,
                doing=self._doing.during(second.start_s, second.length_s),
                probes=second.probes,
                answered=second.answered,
                rtt_p50_ms=second.rtt_p50_ms,
                rtt_max_ms=second.rtt_max_ms,
                associated=second.associated,
                rssi_dbm=second.rssi_dbm,
                tx_rate_mbps=second.tx_rate_mbps,
                rx_rate_mbps=second.rx_rate_mbps,
                channel=second.channel,
                width_mhz=second.width_mhz,
                bssid_label=second.bssid_label,
            )
        )
        self._announcer.publish(SecondSeen(second, self._watch.up))
        if second.start_s + second.length_s - self._first_s >= self._patience.keep_every_s:
            self.keep_seconds()

    @property
    def _first_s(self) -> float:
        return self._announcer.began_s + self._seconds[0].offset_s
