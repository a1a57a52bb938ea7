"""Keeps the watch's pass for the reflector in force, in a task of its own, so that probing never waits for the server.

Renewed every RENEW_EVERY_S; at once, and then again and again with pauses of RETRY_S, when the reflector is silent or
refuses (a server that was restarted does not know the pass, and stays silent) and after waking. While nothing answers,
the probes on the last pass go on. Nobody watches (:class:`Blind`) only before the first pass, and when the server
answers and gives none while the reflector is silent.

May import engines.base, observe.watch, sitetest_wire and the standard library only.
"""

import asyncio
import socket
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from typing import Any

from sitetest.engines.base import Reflector
from sitetest.observe.watch.passes import RENEW_EVERY_S, NoPass, Passes
from sitetest.observe.watch.path_ledger import PathLedger
from sitetest.observe.watch.seen import AWAY_AFTER_S, Blind, Seen
from sitetest_wire.stamped_datagrams import Address

RETRY_S = 1.5
"""Pause between two tries to get a pass while the reflector is silent."""

NONE_GIVEN_RETRY_S = 10.0
"""The same while the server answers and has no pass to give."""

RENEW_LIMIT_S = 4.0
"""How long one try may take, with finding the reflector's address: above the 3 s after which TCP asks a second time."""


class PassKeeper:
    """hurry: set by whoever sees that something is wrong with the pass, or may be. aim: called with the address and the
    token of each new reflector. tell: takes facts. clock: monotonic seconds."""

    def __init__(
        self,
        passes: Passes,
        ledger: PathLedger,
        hurry: asyncio.Event,
        *,
        aim: Callable[[Address, bytes | None], None],
        tell: Callable[[Sequence[Seen]], None],
        clock: Callable[[], float],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._passes = passes
        self._ledger = ledger
        self._aim = aim
        self._tell = tell
        self._clock = clock
        self._sleep = sleep
        self._aimed_at: tuple[Address, bytes | None] | None = None
        self._blind = False
        self._hurry = hurry
        self._lookup: tuple[str, asyncio.Future[Any]] | None = None
        self._known: tuple[str, Address] | None = None

    async def run(self) -> None:
        """Keep the pass until cancelled."""
        while True:
            self._hurry.clear()
            pause_s = await self._renew()
            await self._sleep(pause_s)
            if self._aimed_at is not None:
                await self._until_renewal(RENEW_EVERY_S - pause_s)

    async def _renew(self) -> float:
        """Try once; return the shortest pause until the next try."""
        asked_s = self._ledger.watched_s(self._clock())
        try:
            async with asyncio.timeout(RENEW_LIMIT_S):
                reflector = await self._passes.renew()
                address = await self._address(reflector)
        except NoPass as problem:
            if problem.answered:
                self._none_given(str(problem))
                return NONE_GIVEN_RETRY_S
            why = str(problem)
        except TimeoutError:
            why = f"The test server has not answered within {RENEW_LIMIT_S:.0f} s."
        except OSError as problem:
            why = f"The reflector's address cannot be found: {problem}."
        else:
            self._got(address, reflector.token)
            return RETRY_S
        self._ledger.asked_in_vain(asked_s)
        if self._aimed_at is None:
            self._set_blind(why)
        return RETRY_S

    def _got(self, address: Address, token: bytes | None) -> None:
        if (address, token) != self._aimed_at:
            self._aimed_at = (address, token)
            self._ledger.asks()
            self._aim(address, token)
        if self._blind:
            self._blind = False
            self._tell([Blind(self._clock(), False, "The test server has given a pass for its reflector.")])

    def _none_given(self, why: str) -> None:
        if self._aimed_at is not None and self._ledger.silent_s < AWAY_AFTER_S:
            return  # the old pass still does
        if self._aimed_at is not None:
            self._aimed_at = None
            self._tell(self._ledger.stops_asking(self._clock()))
        self._set_blind(why)

    def _set_blind(self, why: str) -> None:
        if not self._blind:
            self._blind = True
            self._tell([Blind(self._clock(), True, why)])

    async def _until_renewal(self, limit_s: float) -> None:
        """Wait until the next renewal is due, or until somebody is in a hurry."""
        if self._hurry.is_set():
            return
        waiting: asyncio.Future[Any] = asyncio.ensure_future(self._sleep(limit_s))
        hurried: asyncio.Future[Any] = asyncio.ensure_future(self._hurry.wait())
        try:
            done, _ = await asyncio.wait({waiting, hurried}, return_when=asyncio.FIRST_COMPLETED)
            for one in done:
                one.result()
        finally:
            waiting.cancel()
            hurried.cancel()

    # -- where the reflector is ----------------------------------------------------------------------------------

    async def _address(self, reflector: Reflector) -> Address:
        """Return an address without a name in it. A lookup that hangs is not asked for again until it comes back, and
        one that fails leaves the last address of that name."""
        with suppress(OSError):
            return _numeric(reflector.host, reflector.port)
        if self._lookup is None or self._lookup[1].done() or self._lookup[0] != reflector.host:
            asking = asyncio.get_running_loop().getaddrinfo(reflector.host, None, type=socket.SOCK_DGRAM)
            future = asyncio.ensure_future(asking)
            future.add_done_callback(_seen)
            self._lookup = (reflector.host, future)
        known = None if self._known is None or self._known[0] != reflector.host else self._known[1]
        try:
            found = await asyncio.shield(self._lookup[1])
        except (OSError, UnicodeError):
            if known is None:
                raise
            host = known[0]
        else:
            host = found[0][4][0]
        address = _numeric(str(host), reflector.port)
        self._known = (reflector.host, address)
        return address


def _numeric(host: str, port: int) -> Address:
    return socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST)[0][4]


def _seen(future: "asyncio.Future[Any]") -> None:
    """An answer that comes when nobody waits any more is nothing to warn of."""
    if not future.cancelled():
        future.exception()
