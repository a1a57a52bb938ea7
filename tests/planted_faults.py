"""Faults that a soak in the lab meets, planted with their times, and held against what its store says about them.

A fault is done by other programs (ip, kill, a server that starts); so its begin and its end are known as the two times
between which it happened. May import test support modules, sitetest.store and the standard library only.
"""

import json
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from lab_network import LabNetwork
from server_process import ServerProcess, server_process

from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.soak_events import OutageEnded, SoakEvent, soak_event_of

SERVER_PORT = 17300
"""Fixed, so that a server that is started again is found again."""


@dataclass(frozen=True, slots=True)
class Moment:
    """Something happened between these two Unix times."""

    after_s: float
    before_s: float


@dataclass(frozen=True, slots=True)
class Fault:
    """what: ``link`` or ``server``."""

    what: str
    began: Moment
    ended: Moment

    @property
    def about_s(self) -> float:
        """How long it lasted, more or less."""
        return (self.ended.after_s + self.ended.before_s - self.began.after_s - self.began.before_s) / 2

    def begin_off_s(self, told: OutageEnded) -> float:
        """By how much the told begin lies outside of when it can have been; below 0: too early."""
        return _off(told.began_at.timestamp(), self.began.after_s, self.began.before_s)

    def length_off_s(self, told: OutageEnded) -> float:
        """By how much the told length lies outside of what it can have been; below 0: too short."""
        return _off(told.length_s, self.ended.after_s - self.began.before_s, self.ended.before_s - self.began.after_s)

    def overlaps(self, told: OutageEnded) -> bool:
        """Whether the told outage has any time in common with it."""
        began_s = told.began_at.timestamp()
        return began_s <= self.ended.before_s and began_s + told.length_s >= self.began.after_s


def _off(value: float, least: float, most: float) -> float:
    return min(value - least, 0.0) + max(value - most, 0.0)


def _timed(work: Callable[[], object]) -> Moment:
    after_s = time.time()
    work()
    return Moment(after_s, time.time())


def know_each_other(lab: LabNetwork) -> None:
    """Give the laptop the server's hardware address for good. Else the kernel keeps packets for up to a second while
    it asks for it (arp(7): unres_qlen, retrans_time_ms), and sends the last of an outage when the link is back."""
    ip = ["ip", "-n", lab._namespace("server"), "-j", "link", "show", "to-laptop"]
    told = json.loads(subprocess.run(ip, capture_output=True, check=True).stdout)
    entry = [lab.address("server"), "lladdr", told[0]["address"], "dev", "to-server", "nud", "permanent"]
    subprocess.run(["ip", "-n", lab._namespace("laptop"), "neigh", "replace", *entry], check=True)


def cut_link(lab: LabNetwork, length_s: float) -> Fault:
    """Take the server's end of the link down for so long."""
    began = _timed(lab.link_down)
    time.sleep(length_s)
    return Fault("link", began, _timed(lab.link_up))


class KillableServer:
    """A test server that can be killed and started again at the same place."""

    def __init__(self, lab: LabNetwork, folder: Path) -> None:
        self._lab = lab
        self._folder = folder
        self._stack = ExitStack()
        self._server: ServerProcess | None = None

    @property
    def endpoint(self) -> str:
        """Address and port."""
        return f"{self._lab.address('server')}:{SERVER_PORT}"

    def start(self) -> None:
        """Start it and wait until it is ready."""
        prefix = ("ip", "netns", "exec", self._lab._namespace("server"))
        running = server_process(
            self._folder, bind=self._lab.address("server"), port=SERVER_PORT, command_prefix=prefix
        )
        self._server = self._stack.enter_context(running)

    def kill(self) -> None:
        """SIGKILL it."""
        assert self._server is not None
        self._server.process.kill()
        self._server.process.wait()
        self._stack.close()

    def away_for(self, length_s: float) -> Fault:
        """Kill it and start it again after so long; it takes a second or two more until it is there."""
        began = _timed(self.kill)
        time.sleep(length_s)
        return Fault("server", began, _timed(self.start))

    def stop(self) -> None:
        """End it."""
        self._stack.close()


@contextmanager
def killable_server(lab: LabNetwork, folder: Path) -> Iterator[KillableServer]:
    """A running server in the lab's server namespace."""
    server = KillableServer(lab, folder)
    try:
        server.start()
        yield server
    finally:
        server.stop()


@dataclass(frozen=True, slots=True)
class Kept:
    """What the store of a site holds of its only visit. events: with the Unix time at which each was kept. watched_s:
    the Unix time at which each second of the watch began."""

    outcome: str | None
    attempts: Sequence[AttemptRecord]
    events: tuple[tuple[float, SoakEvent], ...]
    turns: tuple[str, ...]
    watched_s: tuple[float, ...]

    def of_kind(self, kind: type[SoakEvent]) -> list[SoakEvent]:
        """Return the events of one kind, in order."""
        return [event for _, event in self.events if isinstance(event, kind)]

    @property
    def outages(self) -> list[OutageEnded]:
        """Outages that are over, but for those that were taken back."""
        return [one for _, one in self.events if isinstance(one, OutageEnded) and one.length_s > 0]


def kept_soak(site: Path) -> Kept:
    """Read the only visit of a site."""
    with StoreReader.read_only(store_path(site)) as store:
        (visit,) = store.visits()
        read = [(record.at.timestamp(), soak_event_of(record)) for record in store.events(visit.visit_id)]
        return Kept(
            outcome=store.outcome(visit.visit_id),
            attempts=tuple(store.attempts(visit.visit_id)),
            events=tuple((at_s, event) for at_s, event in read if event is not None),
            turns=tuple(turn.ap_config for turn in store.turns(visit.visit_id)),
            watched_s=tuple(second.at.timestamp() for second in store.watch_seconds(visit.visit_id)),
        )


def wait_for_tests(site: Path, count: int, *, limit_s: float) -> None:
    """Return as soon as so many tests are over; between tests, when the next is not due yet."""
    until_s = time.monotonic() + limit_s
    while time.monotonic() < until_s:
        if store_path(site).exists():
            with StoreReader.read_only(store_path(site)) as store:
                made = [record for visit in store.visits() for record in store.attempts(visit.visit_id)]
            if sum(record.status is not Status.INTERRUPTED for record in made) >= count:  # as which one is announced
                return
        time.sleep(0.1)
    raise AssertionError(f"{count} tests were not over within {limit_s:g} s")
