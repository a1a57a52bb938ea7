"""Leases joined to what they hold: an activity is made when a lease starts and ended when it ends.

May import sitetest_wire and the standard library only.
"""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Protocol

from sitetest_server.activity import Activity
from sitetest_server.engine_host import EngineHost, HostError
from sitetest_server.host_watch import HostWatch, Machine
from sitetest_server.http_activity import HttpActivity
from sitetest_server.iperf3_activity import Iperf3Activity
from sitetest_server.leases import NOT_KNOWN, RELEASED, Caller, Lease, LeaseManager, UnknownLease
from sitetest_server.simulated_link import SimulatedLink, SimulationError
from sitetest_wire.messages import LeaseRequest, LeaseState, Limits
from sitetest_wire.words import EngineName

ADVANCE_PERIOD_S = 0.2
"""How often leases are looked after when nobody asks."""

STOPPED = "the server was stopped"

_LOGGER = logging.getLogger(__name__)


class RoundTrips(Protocol):
    """What the desk needs of a reflector: see :class:`sitetest_server.reflector.Reflector`."""

    @property
    def port(self) -> int:
        """The UDP port."""

    def admit(self, token: bytes, *, until_s: float, host: str | None = None) -> None:
        """Answer packets with this token from that host, until that time of the clock."""

    def revoke(self, token: bytes) -> None:
        """Answer this token no more."""


class LeaseDesk:
    """What the routes call. Used from one event loop.

    clock and cpu_clock: monotonic and process time in seconds; the machine and the reflector are on the same clock.
    link: None but for a simulated one. reflector: None where there is none. new_token: the octets of a lease's token,
    of a good random source. parallel: leases that may be active at once.
    """

    def __init__(
        self,
        *,
        limits: Limits,
        host: EngineHost,
        link: SimulatedLink | None,
        clock: Callable[[], float],
        cpu_clock: Callable[[], float],
        new_id: Callable[[], str],
        machine: Machine,
        reflector: RoundTrips | None = None,
        new_token: Callable[[], bytes],
        parallel: int = 1,
    ) -> None:
        self._limits = limits
        self._host = host
        self._link = link
        self._clock = clock
        self._cpu_clock = cpu_clock
        self._machine = machine
        self._reflector = reflector
        self._new_token = new_token
        self._tokens: dict[str, bytes] = {}
        self._activities: dict[str, Activity] = {}
        self._moved_bytes: dict[str, int] = {}
        self._leases = LeaseManager(
            clock=clock,
            new_id=new_id,
            on_start=self._start,
            on_end=self._end,
            on_forget=self._forget,
            parallel=parallel,
        )

    async def ask(self, request: LeaseRequest, caller: Caller = NOT_KNOWN) -> LeaseState:
        """Give a lease or a place in the queue. Raises QueueFull, and HostError when the lease cannot be served."""
        lease_id = self._leases.ask(request, caller).lease_id
        try:
            await self._ready(lease_id)
        except HostError as failure:
            self._leases.release(lease_id, str(failure))
            raise
        except asyncio.CancelledError:
            self._leases.release(lease_id, "its agent went away while asking")
            raise
        return self._told(self._leases.hear(lease_id))

    async def hear(self, lease_id: str) -> LeaseState:
        """Return a lease's state and keep it alive. Raises UnknownLease."""
        self._leases.hear(lease_id)
        try:
            await self._ready(lease_id)
        except HostError as failure:
            self._leases.release(lease_id, str(failure))
        return self._told(self._leases.hear(lease_id))

    def release(self, lease_id: str) -> None:
        """End a lease. Raises UnknownLease."""
        self._leases.release(lease_id)

    def states(self) -> tuple[LeaseState, ...]:
        """Return active leases, then waiting ones."""
        return self._leases.states()

    def lease(self, lease_id: str) -> Lease:
        """Return a lease, and count the question as a sign of life. Raises UnknownLease."""
        self._leases.hear(lease_id)
        return self._leases.lease(lease_id)

    def activity(self, lease_id: str) -> Activity | None:
        """Return what a lease holds or held; None when it was never active."""
        return self._activities.get(lease_id)

    async def run(self) -> None:
        """Look after the leases until cancelled."""
        while True:
            self._hear_payload()
            self._leases.advance()
            await asyncio.sleep(ADVANCE_PERIOD_S)

    def _hear_payload(self) -> None:
        """Payload that moves is a sign of life: behind a deep queue the agent's questions come too late, and such a
        path is just what is to be measured."""
        for lease_id, activity in tuple(self._activities.items()):
            moved_bytes = activity.log.moved_bytes
            if lease_id in self._activities and moved_bytes > self._moved_bytes.get(lease_id, 0):
                self._moved_bytes[lease_id] = moved_bytes
                with suppress(UnknownLease):  # forgotten in this very moment
                    self._leases.hear(lease_id)

    async def stop(self) -> None:
        """End every lease and wait until nothing is left of them."""
        self._leases.release_all(STOPPED)
        await asyncio.gather(*(activity.closed() for activity in self._activities.values()))

    def _start(self, lease: Lease) -> None:
        self._activities[lease.lease_id] = self._activity_for(lease.request, lease.caller)
        if self._reflector is not None and lease.ends_at_s is not None:
            token = self._tokens[lease.lease_id] = self._new_token()
            self._reflector.admit(token, until_s=lease.ends_at_s, host=lease.caller.agent_address)

    def _activity_for(self, request: LeaseRequest, caller: Caller) -> Activity:
        machine = HostWatch(self._machine, caller.server_address)
        if request.engine is EngineName.IPERF3:
            return Iperf3Activity(
                self._host, request, clock=self._clock, machine=machine, only_from=caller.agent_address
            )
        pacer = failure = None
        if self._link is not None:
            try:
                pacer = self._link.pacer(request.direction)
            except SimulationError as problem:
                failure = str(problem)
                _LOGGER.error("%s", problem)  # the file's fault, not ours: no traceback
        return HttpActivity(
            request,
            clock=self._clock,
            cpu_clock=self._cpu_clock,
            machine=machine,
            max_bytes=self._limits.max_transfer_bytes,
            pacer=pacer,
            failure=failure,
        )

    def _end(self, lease: Lease) -> None:
        token = self._tokens.pop(lease.lease_id, None)
        if token is not None and self._reflector is not None:
            self._reflector.revoke(token)
        self._activities[lease.lease_id].end(None if lease.reason == RELEASED else f"the lease ended: {lease.reason}")

    def _forget(self, lease: Lease) -> None:
        self._activities.pop(lease.lease_id, None)
        self._moved_bytes.pop(lease.lease_id, None)

    async def _ready(self, lease_id: str) -> None:
        activity = self._activities.get(lease_id)
        if activity is not None and self._leases.lease(lease_id).phase == "active":
            await activity.ready()

    def _told(self, state: LeaseState) -> LeaseState:
        activity = self._activities.get(state.lease_id)
        if state.phase != "active" or activity is None:
            return state
        token = self._tokens.get(state.lease_id)
        return replace(
            state,
            iperf3_port=activity.iperf3_port,
            reflector_port=None if token is None or self._reflector is None else self._reflector.port,
            reflector_token=None if token is None else token.hex(),
        )
