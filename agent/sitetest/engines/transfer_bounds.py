"""Everything that can end a transfer before its natural end, other than the streams themselves.

    stop         the person does not want it any more
    lease        the server took it back
    cap          the permitted volume has moved
    stall        no byte for STALL_LIMIT_S, on any stream
    streams      some streams move and others never got a byte
    deadline     still not over long after it should have been

Asked once a sample. No clock of its own: the caller passes the instant. May import sitetest_wire and the standard
library only.
"""

import asyncio
from collections.abc import Callable

from sitetest.engines.base import CONNECT_TIMEOUT_S, STALL_LIMIT_S, Failure, FailureKind, TransferSpec
from sitetest.engines.failure_translation import Stage

DEADLINE_MARGIN_S = 10.0
"""How long after connecting and its nominal time a transfer may still be there."""

GIVEN_UP_AFTER_S = STALL_LIMIT_S - 2.0
"""Silence after which a broken connection counts as given up by the kernel, which does so after STALL_LIMIT_S."""


class TransferBounds:
    """The bounds of one transfer. lease_ended: says why the lease is over; None while it is held."""

    def __init__(
        self,
        spec: TransferSpec,
        stop: asyncio.Event,
        stage: Stage,
        endpoint: str,
        lease_ended: Callable[[], Failure | None] = lambda: None,
    ) -> None:
        self._spec = spec
        self._stop = stop
        self._where = f"{stage} at {endpoint}"
        self._lease_ended = lease_ended
        self._progress: tuple[int, ...] = ()
        self._progressed_at_s = 0.0
        self._limit_s = CONNECT_TIMEOUT_S + spec.total_s + DEADLINE_MARGIN_S

    def exceeded(self, at_s: float, progress: tuple[int, ...], up: int, counted_bytes: int) -> Failure | None:
        """Say which bound is passed at ``at_s`` seconds after the start; None when none is.

        progress: any counts that change when payload moves. up: streams that have had a byte. counted_bytes: what the
        cap is held against.
        """
        if progress != self._progress:
            self._progress = progress
            self._progressed_at_s = at_s
        silent_s = at_s - self._progressed_at_s
        cap, streams = self._spec.max_bytes, self._spec.streams
        if self._stop.is_set():
            return self._failure(FailureKind.STOPPED, f"stopped after {at_s:.1f} s")
        if cap is not None and counted_bytes >= cap:
            return self._failure(FailureKind.DATA_CAP, f"stopped at the permitted volume of {cap} bytes")
        if silent_s >= STALL_LIMIT_S:
            return self._failure(FailureKind.STALLED, f"no byte moved for {silent_s:.1f} s (limit {STALL_LIMIT_S:g} s)")
        if up < streams and at_s >= CONNECT_TIMEOUT_S + STALL_LIMIT_S:
            seen = f"only {up} of {streams} streams got a byte within {at_s:.1f} s"
            return self._failure(FailureKind.STREAMS_MISSING, seen)
        if at_s >= self._limit_s:
            return self._failure(FailureKind.DEADLINE, f"not over after {at_s:.1f} s (limit {self._limit_s:g} s)")
        return self._lease_ended()

    def explained(self, failure: Failure | None, at_s: float) -> Failure | None:
        """Return the failure of a stream in the light of the silence before it.

        aiohttp does not always tell why a connection broke. One that breaks after a silence as long as the kernel's
        own limit was given up by the kernel: the path was lost, and the server did nothing.
        """
        silent_s = at_s - self._progressed_at_s
        if failure is None or failure.kind is not FailureKind.PEER_DIED or silent_s < GIVEN_UP_AFTER_S:
            return failure
        seen = f"the path was lost: no byte moved for {silent_s:.1f} s, then the kernel gave the connection up"
        return Failure(FailureKind.LINK_LOST, f"{self._where}: {seen}", failure.errno)

    def _failure(self, kind: FailureKind, seen: str) -> Failure:
        return Failure(kind, f"{self._where}: {seen}")
