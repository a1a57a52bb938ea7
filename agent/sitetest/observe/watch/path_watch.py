"""The watch that a soak keeps on the path: probes, link and clocks, put together.

Three tasks on the event loop: one sends a probe every PROBE_INTERVAL_S and looks at the clocks before each; one keeps
the pass for the reflector; one reads the link. Between them stands the ledger, which takes what happened and says what
is known. Nothing here grows with time.

May import engines.base, observe, sitetest_wire and the standard library only.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import suppress
from typing import Any

from sitetest.observe.beside import live_reader
from sitetest.observe.clocks import ClockEventKind, Instant, clock_events, instant_reader
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.probe_packets import next_due_s
from sitetest.observe.round_trip import ProbeClocks
from sitetest.observe.watch.link_watch import LinkWatch, Route
from sitetest.observe.watch.pass_keeper import PassKeeper
from sitetest.observe.watch.passes import Passes
from sitetest.observe.watch.path_ledger import PathLedger
from sitetest.observe.watch.seen import AWAY_AFTER_S, PROBE_INTERVAL_S, Back, Seen, Sleep
from sitetest.observe.watch.watch_prober import WatchProber

STALL_PERIOD_S = 0.5
"""The clocks are looked at before every probe; three times this late (1.5 s) is told as a stall. A shorter one is not
told, and in no length either. Our own choice, no source."""

GIVE_BACK_LIMIT_S = 0.5


class PathWatch:
    """See :class:`sitetest.visit.soak.protocols.PathWatch`. One use only.

    passes: asks the server for a pass. route: which way packets to it leave the laptop now. reader: makes a link reader
    that nobody else uses. clocks, instant, sleep: passed in by tests. kernel: False does without kernel stamps.
    """

    def __init__(
        self,
        passes: Passes,
        route: Route,
        *,
        reader: Callable[[], LinkReader] = live_reader,
        clocks: ProbeClocks | None = None,
        instant: Callable[[], Instant] | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        kernel: bool | None = None,
    ) -> None:
        self._passes = passes
        self._route = route
        self._reader = reader
        self._clocks = clocks or ProbeClocks()
        self._instant = instant or instant_reader()
        self._sleep = sleep
        self._kernel = kernel
        self._ledger: PathLedger | None = None

    @property
    def up(self) -> bool | None:
        """Whether something answered in the last AWAY_AFTER_S; None while there is nobody to ask, and just after the
        begin and after waking, as long as nobody knows."""
        return None if self._ledger is None else self._ledger.up

    async def run(self, tell: Callable[[Seen], None]) -> None:
        """Watch until cancelled; then give the pass back within GIVE_BACK_LIMIT_S. A fault of ours comes out of it, and
        nothing that the network, the server or the system does."""

        def tell_all(facts: Sequence[Seen]) -> None:
            for fact in facts:
                tell(fact)

        clock = self._clocks.monotonic_s
        ledger = self._ledger = PathLedger(clock(), self._unix_s())
        hurry = asyncio.Event()
        prober = WatchProber(ledger, hurry.set, clocks=self._clocks, kernel=self._kernel)
        keeper = PassKeeper(self._passes, ledger, hurry, aim=prober.aim, tell=tell_all, clock=clock, sleep=self._sleep)
        link = LinkWatch(
            self._reader, self._route, on_sample=ledger.linked, on_change=tell, clock=clock, sleep=self._sleep
        )
        try:
            await _together(keeper.run(), link.run(), self._probe(ledger, prober, link, hurry, tell_all))
        finally:
            prober.close()
            with suppress(TimeoutError):
                async with asyncio.timeout(GIVE_BACK_LIMIT_S):
                    await self._passes.give_back()

    async def _probe(
        self,
        ledger: PathLedger,
        prober: WatchProber,
        link: LinkWatch,
        hurry: asyncio.Event,
        tell_all: Callable[[Sequence[Seen]], None],
    ) -> None:
        due_s = self._clocks.monotonic_s()
        before = self._instant()
        while True:
            now_s = self._clocks.monotonic_s()
            after = self._instant()
            for sleep in _sleeps(before, after, now_s):
                tell_all([sleep])
                if not sleep.stall:
                    tell_all(ledger.slept(now_s, after.wall_s))
                    prober.leave_socket()
                    link.ask_way()
                hurry.set()
            before = after
            known = ledger.advance(now_s, after.wall_s)
            tell_all(known)
            if any(isinstance(fact, Back) for fact in known):
                link.ask_way()
            if ledger.asking:
                await prober.probe()
                if ledger.silent_s >= AWAY_AFTER_S:
                    hurry.set()
            now_s = self._clocks.monotonic_s()
            due_s = next_due_s(due_s, now_s, PROBE_INTERVAL_S)
            await self._sleep(max(due_s - now_s, 0.0))

    def _unix_s(self) -> float:
        return self._clocks.wall_ns() / 1e9


def _sleeps(before: Instant, after: Instant, now_s: float) -> list[Sleep]:
    return [
        Sleep(now_s, event.seconds, event.kind is ClockEventKind.STALL)
        for event in clock_events(before, after, STALL_PERIOD_S)
        if event.kind is not ClockEventKind.CLOCK_STEP
    ]


async def _together(*work: Coroutine[Any, Any, None]) -> None:
    """Run all until the first fails or the whole is cancelled; leave none behind, and raise what the first raised."""
    tasks = [asyncio.ensure_future(one) for one in work]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
