"""A link of invented rates, for the demonstration: payload is paced in this process instead of by a real network.

``--simulate-link FILE`` names a JSON file that is read again at the start of every transfer:

    {"current": "auto", "seed": 7,
     "configs": {"auto": {"download_mbps": 140, "upload_mbps": 90, "spread_pct": 6}, ...}}

spread_pct is the standard deviation, in per cent, of the factor by which one transfer's rate differs from the next's
(lognormal; 0 when left out). ``python -m sitetest_server.simulated_link FILE NAME`` switches ``current``, in one step,
so that a demonstration can "apply" an AP config. May import the standard library and sitetest_wire only.
"""

import asyncio
import json
import os
import sys
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from random import Random
from typing import Any

from sitetest_wire.units import bytes_at
from sitetest_wire.words import Direction

SIMULATED = "simulated link: the server paces all payload to invented rates; no real network was measured"
"""What the agent puts on screen and into every row."""

IPERF3_REASON = "not served on a simulated link: only the http engine can be paced; use --engine http"

BLOCK_S = 0.002
"""Payload is let through in blocks of this length, so that a sample of 0.1 s holds 50 of them."""

CATCH_UP_S = 0.02
"""How much lateness (a timer, a busy machine) may be caught up; more is lost, as on a real link."""


class SimulationError(ValueError):
    """The file that describes the simulated link is not usable; says where and what is allowed."""


BUFFER_BYTES = 64 * 1024
"""Receive buffers of a server that simulates: megabytes of them would hold seconds of an upload at the link's rate."""


@dataclass(frozen=True, slots=True)
class LinkConfig:
    """The rates of one simulated AP config in Mbit/s of payload, all streams together; spread in per cent."""

    download_mbps: float
    upload_mbps: float
    spread_pct: float = 0.0

    def rate_mbps(self, direction: Direction) -> float:
        """Return the rate of a direction."""
        return self.download_mbps if direction is Direction.DOWNLOAD else self.upload_mbps


class Pacer:
    """One bucket for all streams of a transfer: a virtual finishing time that every block moves on."""

    def __init__(
        self,
        rate_mbps: float,
        clock: Callable[[], float],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.rate_mbps = rate_mbps
        self._bytes_per_s = bytes_at(rate_mbps, 1.0)
        self._clock = clock
        self._sleep = sleep
        self._free_at_s = float("-inf")

    @property
    def block_bytes(self) -> int:
        """How much to move at a time (>= 1)."""
        return max(int(self._bytes_per_s * BLOCK_S), 1)

    async def take(self, byte_count: int) -> None:
        """Wait until the link has carried this many bytes more."""
        now_s = self._clock()
        self._free_at_s = max(self._free_at_s, now_s - CATCH_UP_S) + byte_count / self._bytes_per_s
        await self._sleep(max(self._free_at_s - now_s, 0.0))


class SimulatedLink:
    """Makes one pacer a transfer. The random factors follow from the file's seed and the order of the transfers."""

    def __init__(self, path: Path, clock: Callable[[], float]) -> None:
        """Read the file once, so that a mistake shows at the start. Raises SimulationError."""
        self._path = path
        self._clock = clock
        self._random = Random(_whole(_read(path), "seed", path))  # noqa: S311  # invents rates, guards nothing
        self.current()

    def current(self) -> LinkConfig:
        """Read the rates that are in force now. Raises SimulationError."""
        return _current(_read(self._path), self._path)

    def pacer(self, direction: Direction) -> Pacer:
        """Return a pacer for one transfer. Raises SimulationError."""
        config = self.current()
        factor = self._random.lognormvariate(0.0, config.spread_pct / 100)
        return Pacer(config.rate_mbps(direction) * factor, self._clock)


def switch(path: Path, name: str) -> None:
    """Make ``name`` the current config, in one step. Raises SimulationError."""
    body = _read(path)
    changed = {**body, "current": name}
    _current(changed, path)
    descriptor, beside = tempfile.mkstemp(dir=path.parent, prefix=path.name)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(changed, file, indent=2)
        Path(beside).replace(path)
    except OSError:
        Path(beside).unlink(missing_ok=True)
        raise


def _read(path: Path) -> dict[str, Any]:
    try:
        body = json.loads(path.read_bytes())
    except OSError as problem:
        raise SimulationError(f"{path}: cannot be read: {problem.strerror}") from problem
    except (ValueError, RecursionError) as problem:
        raise SimulationError(f"{path}: not a JSON file: {problem}") from problem
    if not isinstance(body, dict):
        raise SimulationError(f"{path}: expected a JSON object, found {type(body).__name__}")
    return body


def _current(body: dict[str, Any], path: Path) -> LinkConfig:
    configs = body.get("configs")
    if not isinstance(configs, dict) or not configs:
        raise SimulationError(f"{path}: configs must be an object with at least one config in it")
    name = body.get("current")
    if not isinstance(name, str) or name not in configs:
        raise SimulationError(f"{path}: current is {name!r}, allowed is one of {', '.join(sorted(configs))}")
    config, where = configs[name], f"{path}: configs.{name}"
    if not isinstance(config, dict):
        raise SimulationError(f"{where}: expected a JSON object, found {type(config).__name__}")
    allowed = ("download_mbps", "upload_mbps", "spread_pct")
    unknown = sorted(set(config) - set(allowed))
    if unknown:
        raise SimulationError(f"{where}: unknown key {unknown[0]!r}, allowed are {', '.join(allowed)}")
    return LinkConfig(
        download_mbps=_rate(config, "download_mbps", where),
        upload_mbps=_rate(config, "upload_mbps", where),
        spread_pct=_number(config.get("spread_pct", 0.0), "spread_pct", where, lowest=0.0, highest=100.0),
    )


def _rate(config: dict[str, Any], key: str, where: str) -> float:
    return _number(config.get(key), key, where, lowest=0.1, highest=10_000.0)


def _number(value: object, key: str, where: str, lowest: float, highest: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise SimulationError(f"{where}: {key} must be a number, found {value!r}")
    if not lowest <= value <= highest:
        raise SimulationError(f"{where}: {key} is {value:g}, allowed is {lowest:g} to {highest:g}")
    return float(value)


def _whole(body: dict[str, Any], key: str, path: Path) -> int:
    value = body.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int):
        raise SimulationError(f"{path}: {key} must be a whole number, found {value!r}")
    return value


def main(arguments: list[str]) -> int:
    """Switch the current config: FILE NAME. Returns the exit code."""
    if len(arguments) != 2:
        print("usage: python -m sitetest_server.simulated_link FILE NAME", file=sys.stderr)  # noqa: T201
        return 2
    try:
        switch(Path(arguments[0]), arguments[1])
    except SimulationError as problem:
        print(problem, file=sys.stderr)  # noqa: T201
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
