"""Leases: who may measure now, who comes next, and when a lease ends by itself.

One lease is active at a time (more where the server was started so), the others wait in the order in which they asked.
A lease, active or waiting, ends when its agent has asked nothing about it for ``LEASE_SILENCE_S``; an active one also
ends ``LEASE_MARGIN_S`` after the time that it was given for. What is made when a lease starts and destroyed when it
ends is the business of the callbacks.

No clock, no ids, no I/O of its own: the caller passes the clock, and calls :meth:`LeaseManager.advance` often enough
(every method does so as well). May import sitetest_wire and the standard library only.
"""

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from heapq import heapify, heapreplace

from sitetest_wire.messages import LEASE_SILENCE_S, LeasePhase, LeaseRequest, LeaseState

LEASE_MARGIN_S = 20.0
"""What an active lease has on top of warm-up and duration: a second each for the idle path before and after the load,
and the 13 s after which an agent ends a transfer that does not come to its end by itself."""

ENDED_KEPT_S = 30.0
"""How long an ended lease can still be asked about, and its samples be fetched."""

MAX_WAITING = 16
"""Places in the queue."""

RELEASED = "released by its agent"


class QueueFull(Exception):
    """No place left in the queue; the message says how many there are."""


class UnknownLease(KeyError):
    """There is no lease of this id: never given, or ended and forgotten."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Both ends of the connection that asked for a lease, as IP addresses; None when not known."""

    agent_address: str | None = None
    server_address: str | None = None


class Lease:
    """One lease through its life; changed by its manager only. Times are the manager's clock, in seconds.

    ends_at_s: when an active lease ends by itself; None while waiting. ended_at_s, reason: None until it has ended.
    """

    __slots__ = ("caller", "ended_at_s", "ends_at_s", "heard_at_s", "lease_id", "phase", "reason", "request", "shared")

    def __init__(self, lease_id: str, request: LeaseRequest, caller: Caller, now_s: float) -> None:
        self.lease_id = lease_id
        self.request = request
        self.caller = caller
        self.phase: LeasePhase = "waiting"
        self.heard_at_s = now_s
        self.ends_at_s: float | None = None
        self.ended_at_s: float | None = None
        self.reason: str | None = None
        self.shared = False

    @property
    def length_s(self) -> float:
        """The longest that it can be active."""
        return self.request.warm_up_s + self.request.duration_s + LEASE_MARGIN_S


NOT_KNOWN = Caller()


class LeaseManager:
    """The queue. ``parallel`` leases may be active at once (>= 1); ``max_waiting`` may wait.

    on_start is called when a lease becomes active, on_end when an active lease has ended, on_forget when an ended one
    (active or not) can no longer be asked about; all at once and in order.
    """

    def __init__(
        self,
        *,
        clock: Callable[[], float],
        new_id: Callable[[], str],
        on_start: Callable[[Lease], None],
        on_end: Callable[[Lease], None],
        on_forget: Callable[[Lease], None],
        parallel: int = 1,
        max_waiting: int = MAX_WAITING,
    ) -> None:
        self._clock = clock
        self._new_id = new_id
        self._on_start = on_start
        self._on_end = on_end
        self._on_forget = on_forget
        self._parallel = parallel
        self._max_waiting = max_waiting
        self._leases: dict[str, Lease] = {}
        self._active: list[Lease] = []
        self._waiting: deque[Lease] = deque()

    def ask(self, request: LeaseRequest, caller: Caller = NOT_KNOWN) -> LeaseState:
        """Give a lease, or a place in the queue. Raises QueueFull."""
        self.advance()
        if len(self._active) >= self._parallel and len(self._waiting) >= self._max_waiting:
            raise QueueFull(f"{self._max_waiting} agents are waiting already, and more are not let in")
        lease = Lease(self._new_id(), request, caller, self._clock())
        self._leases[lease.lease_id] = lease
        self._waiting.append(lease)
        self._fill()
        return self._state(lease)

    def hear(self, lease_id: str) -> LeaseState:
        """Return a lease's state and note that its agent is still there. Raises UnknownLease."""
        self.advance()
        lease = self._known(lease_id)
        lease.heard_at_s = self._clock()
        return self._state(lease)

    def release(self, lease_id: str, reason: str = RELEASED) -> LeaseState:
        """End a lease now, active or waiting; one that has ended stays as it is. Raises UnknownLease."""
        self.advance()
        lease = self._known(lease_id)
        self._end(lease, reason)
        self._fill()
        return self._state(lease)

    def release_all(self, reason: str) -> None:
        """End every lease, the waiting ones first so that none of them starts."""
        for lease in [*self._waiting, *self._active]:
            self._end(lease, reason)

    def states(self) -> tuple[LeaseState, ...]:
        """Return active leases, then waiting ones in their order."""
        self.advance()
        return tuple(self._state(lease) for lease in [*self._active, *self._waiting])

    def lease(self, lease_id: str) -> Lease:
        """Return a lease itself. Raises UnknownLease."""
        self.advance()
        return self._known(lease_id)

    def advance(self) -> None:
        """Do what is due by the clock: end, promote, forget."""
        now_s = self._clock()
        for lease in [*self._waiting, *self._active]:
            if now_s - lease.heard_at_s >= LEASE_SILENCE_S:
                self._end(lease, f"its agent {lease.request.agent} asked nothing for {LEASE_SILENCE_S:g} s")
            elif lease.ends_at_s is not None and now_s >= lease.ends_at_s:
                self._end(lease, f"its time of {lease.length_s:g} s was over")
        self._fill()
        for lease in tuple(self._leases.values()):
            if lease.ended_at_s is not None and now_s - lease.ended_at_s >= ENDED_KEPT_S:
                del self._leases[lease.lease_id]
                self._on_forget(lease)

    def _known(self, lease_id: str) -> Lease:
        try:
            return self._leases[lease_id]
        except KeyError:
            raise UnknownLease(lease_id) from None

    def _fill(self) -> None:
        while self._waiting and len(self._active) < self._parallel:
            lease = self._waiting.popleft()
            lease.phase = "active"
            lease.ends_at_s = self._clock() + lease.length_s
            self._active.append(lease)
            if len(self._active) > 1:
                for one in self._active:
                    one.shared = True
            self._on_start(lease)

    def _end(self, lease: Lease, reason: str) -> None:
        if lease.phase == "ended":
            return
        was_active = lease.phase == "active"
        (self._active if was_active else self._waiting).remove(lease)
        lease.phase = "ended"
        lease.ended_at_s = self._clock()
        lease.reason = reason
        if was_active:
            self._on_end(lease)

    def _state(self, lease: Lease) -> LeaseState:
        now_s = self._clock()
        waiting = lease.phase == "waiting"
        place = self._waiting.index(lease) + 1 if waiting else 0
        return LeaseState(
            lease_id=lease.lease_id,
            phase=lease.phase,
            place=place,
            wait_s=self._longest_wait_s(place, now_s) if waiting else 0.0,
            ends_in_s=max(lease.ends_at_s - now_s, 0.0) if lease.phase == "active" and lease.ends_at_s else None,
            held_by=self._active[0].request.agent if self._active else None,
            shared=lease.shared,
            reason=lease.reason,
        )

    def _longest_wait_s(self, place: int, now_s: float) -> float:
        """Let every lease before this one use its whole time; each takes the slot that becomes free first."""
        free_at_s = list(self._ends_of_active())
        heapify(free_at_s)
        for ahead in list(self._waiting)[: place - 1]:
            heapreplace(free_at_s, free_at_s[0] + ahead.length_s)
        return max(free_at_s[0] - now_s, 0.0)

    def _ends_of_active(self) -> Iterator[float]:
        for lease in self._active:
            if lease.ends_at_s is not None:
                yield lease.ends_at_s
