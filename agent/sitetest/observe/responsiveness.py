"""Foreign probes for responsiveness: how long a new connection and a tiny request take while the link is loaded.

Each probe opens a connection of its own and times TCP's handshake, TLS's where there is one, and one GET of a tiny
object, as draft-ietf-ippm-responsiveness (its section on probes) asks. Probes on the loaded connections themselves need
multiplexing, which HTTP/1.1 has not: there the round-trip time that TCP keeps of the loaded connections stands for
them, as the draft allows. The arithmetic and the draft's revision are in `sitetest.stats.latency`.

Differences from the draft: the load is the engine's own fixed number of streams, not one that grows until it is stable;
and the probes are fewer than it allows, which widens the spread and not the meaning.

May import observe and the standard library only.
"""

import asyncio
import ssl
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass

USUAL_PER_S = 5.0
"""Foreign probes a second when the link is fast enough: 150 in half a minute."""

MOST_PER_S = 100.0
"""MPS, the draft's cap."""

CAPACITY_SHARE = 0.05
"""PTC: the share of the capacity that all probes together may take."""

PROBE_BYTES = 5000
"""What one foreign probe moves, by the draft's estimate with TLS; without it, less."""

LEAST_PER_S = 0.5
"""Below this there is nothing to be learned in a test: no probes are sent."""

UNKNOWN_CAPACITY_PER_S = 1.0
"""Until the first second of load has been seen."""

PROBE_LIMIT_S = 5.0
"""A probe that takes longer has failed."""

MOST_ANSWER_BYTES = 4096


@dataclass(frozen=True, slots=True)
class ForeignTimes:
    """What one probe took, in ms. tls_ms: None for plain TCP."""

    tcp_ms: float
    tls_ms: float | None
    http_ms: float


@dataclass(frozen=True, slots=True)
class ForeignProbe:
    """One probe. sent_at_s: on the agent's monotonic clock. times: None when it failed; ``why`` then says how."""

    sent_at_s: float
    times: ForeignTimes | None
    why: str | None = None


@dataclass(frozen=True, slots=True)
class TinyObject:
    """What foreign probes fetch: an answer of some hundred bytes that a server gives to anybody. host: name or address.
    port: TCP. path: of the URL. tls: None for plain HTTP."""

    host: str
    port: int
    path: str
    tls: ssl.SSLContext | None = None


def probes_per_s(capacity_mbps: float | None) -> float:
    """Return how many foreign probes a second a link of that capacity may be asked; 0 for none. None: not known yet."""
    if capacity_mbps is None:
        return UNKNOWN_CAPACITY_PER_S
    affordable = capacity_mbps * 1e6 * CAPACITY_SHARE / (PROBE_BYTES * 8)
    pace = min(affordable, USUAL_PER_S, MOST_PER_S)
    return pace if pace >= LEAST_PER_S else 0.0


class ForeignProber:
    """Probes until cancelled or stopped. Never raises for what the network does.

    probe: makes one probe and returns its times; raises OSError, TimeoutError, EOFError, ValueError for one that fails.
    capacity_mbps: what the load achieves at the moment, None while not known.
    """

    def __init__(
        self,
        probe: Callable[[], Awaitable[ForeignTimes]],
        *,
        capacity_mbps: Callable[[], float | None],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._probe = probe
        self._capacity_mbps = capacity_mbps
        self._clock = clock
        self._sleep = sleep
        self._stopping = False
        self._found: list[ForeignProbe] = []

    async def run(self) -> None:
        """Probe, one at a time, at the pace that the capacity allows."""
        while not self._stopping:
            began_s = self._clock()
            pace = probes_per_s(self._capacity_mbps())
            if pace > 0:
                self._found.append(await self._one(began_s))
            took_s = self._clock() - began_s
            await self._sleep(max(1.0 / (pace or UNKNOWN_CAPACITY_PER_S) - took_s, 0.0))

    def stop(self) -> None:
        """End after the probe in progress."""
        self._stopping = True

    def probes(self) -> tuple[ForeignProbe, ...]:
        """Return what was found until now."""
        return tuple(self._found)

    async def _one(self, began_s: float) -> ForeignProbe:
        try:
            async with asyncio.timeout(PROBE_LIMIT_S):
                return ForeignProbe(began_s, await self._probe())
        except TimeoutError:
            return ForeignProbe(began_s, None, "timeout")
        except (OSError, EOFError, ValueError) as problem:
            return ForeignProbe(began_s, None, type(problem).__name__)


async def probe_once(
    host: str,
    port: int,
    path: str,
    *,
    tls: ssl.SSLContext | None = None,
    server_name: str | None = None,
    clock: Callable[[], float] = time.perf_counter,
) -> ForeignTimes:
    """Open a connection, GET ``path``, read the answer, close.

    host: an address, so that no name is looked up inside the time. server_name: for the Host header and TLS; None is
    the host. Raises OSError (also for TLS), EOFError for a connection that ends before an answer, ValueError for an
    answer that is not HTTP with status 200.
    """
    named = server_name or host
    shown = f"[{named}]" if ":" in named else named
    began_s = clock()
    reader, writer = await asyncio.open_connection(host, port)
    try:
        connected_s = secured_s = clock()
        if tls is not None:
            await writer.start_tls(tls, server_hostname=named)
            secured_s = clock()
        writer.write(f"GET {path} HTTP/1.1\r\nHost: {shown}\r\nConnection: close\r\n\r\n".encode("ascii"))
        status = await reader.readline()
        await _rest(reader)
        answered_s = clock()
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
    if not status:
        raise EOFError("the connection ended before an answer")
    words = status.split()
    if len(words) < 2 or not words[0].startswith(b"HTTP/1.") or words[1] != b"200":
        raise ValueError(f"not an answer of status 200: {status[:60]!r}")
    return ForeignTimes(
        tcp_ms=(connected_s - began_s) * 1e3,
        tls_ms=None if tls is None else (secured_s - connected_s) * 1e3,
        http_ms=(answered_s - secured_s) * 1e3,
    )


async def _rest(reader: asyncio.StreamReader) -> None:
    """Read to the end of the answer; no more than MOST_ANSWER_BYTES."""
    seen = 0
    while seen < MOST_ANSWER_BYTES:
        part = await reader.read(MOST_ANSWER_BYTES)
        if not part:
            return
        seen += len(part)
    raise ValueError(f"the object to be fetched is longer than {MOST_ANSWER_BYTES} bytes")
