"""Measures the wire once, with the laptop on it, so that later results can be held against it.

    download, upload, download, ... REPEATS times each; the median of each direction

No retry: what fails is said, and left out. May import engines.base, observe.interface, sitetest_wire and the standard
library only.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median

from sitetest.engines.base import Engine, TransferResult, TransferSpec
from sitetest.observe.interface import InterfaceKind
from sitetest.visit.unwatched import Unwatched
from sitetest_wire.words import Direction

REPEATS, STREAMS, WARM_UP_S, DURATION_S = 3, 5, 1.0, 5.0
"""Five seconds are enough on a wire, which neither fades nor changes its rate. Our own choice."""


@dataclass(frozen=True, slots=True)
class WireMeasured:
    """Medians in Mbit/s, None for a direction in which nothing was measured. server_link_mbps: speed of the server's
    own wired link, None where not told. problems: what went wrong, a sentence each."""

    download_mbps: float | None
    upload_mbps: float | None
    server_link_mbps: int | None
    problems: tuple[str, ...]


def why_not_wired(interface: str, kind: InterfaceKind | None, *, said_wired: bool) -> str | None:
    """Say why an interface cannot give a wired baseline; None when it can.

    said_wired: the person says that it is a wire. That is believed where the kind cannot be told, never against it.
    """
    if kind is InterfaceKind.ETHERNET:
        return None
    if kind is InterfaceKind.WIFI:
        return f"the way to the server goes over {interface}, which is Wi-Fi"
    if kind is InterfaceKind.TUNNEL:
        return f"the way to the server goes over {interface}, which is a tunnel"
    return None if said_wired else f"{interface} is not known to be a wire"


async def measure_wire(engine: Engine, said: Callable[[str], None]) -> WireMeasured:
    """Measure both directions in turn. said: told of each transfer as it ends. Takes about 40 s."""
    rates: dict[Direction, list[float]] = {direction: [] for direction in Direction}
    problems: list[str] = []
    server_link_mbps = None
    for number in range(1, REPEATS + 1):
        for direction in Direction:
            spec = TransferSpec(direction, STREAMS, WARM_UP_S, DURATION_S)
            result = await engine.transfer(spec, Unwatched(), asyncio.Event())
            problem = _problem(result)
            rate_mbps = result.throughput_mbps
            if problem is not None or rate_mbps is None:
                problems.append(f"{direction} {number}: {problem}")
            else:
                rates[direction].append(rate_mbps)
                said(f"{number} of {REPEATS}, {direction}: {rate_mbps:.1f} Mbit/s")
            if result.server_host is not None:
                server_link_mbps = result.server_host.speed_mbps
    medians = {direction: median(seen) if seen else None for direction, seen in rates.items()}
    return WireMeasured(medians[Direction.DOWNLOAD], medians[Direction.UPLOAD], server_link_mbps, tuple(problems))


def _problem(result: TransferResult) -> str | None:
    if result.failure is not None:
        return result.failure.message
    if result.shared:
        return "another client used the test server meanwhile"
    return None if result.received_bytes else "not a byte arrived"
