"""``--status FILE``: how a soak stands, as a small JSON document that others can watch.

The file is replaced as a whole, at every change worth telling and at least every few seconds while the soak's loop
lives. A reader that finds ``written_at`` older than ``stale_after_s`` knows that it does not, or that the laptop
sleeps.
Writing happens beside the loop: a slow disk delays no probe, and a file that cannot be written stops nothing.

May import visit.soak.state, store.atomic_file, store.soak_events, errors and the standard library only.
"""

import asyncio
import contextlib
import json
import os
from collections.abc import Awaitable, Callable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sitetest.errors import UsageError
from sitetest.store.atomic_file import write_atomically
from sitetest.store.soak_events import DROPOUT_CAUSES, Cause, OutageEnded
from sitetest.visit.soak.state import Outages, SoakState, StateFollower, ended

FORMAT = 1
EVERY_S = 5.0
STALE_AFTER_S = 4 * EVERY_S
"""Three writings may be late before a reader should think anything of it. Our own choice."""

NEVER_WRITABLE = (FileNotFoundError, NotADirectoryError, IsADirectoryError, PermissionError)
"""What only the person who typed the name can put right, and is refused before anything starts."""


class StatusFile:
    """Keeps the file while inside ``async with``; entering writes it once. Raises UsageError there for a name that can
    never be written to; any other failure is said once, and the file is tried again the next time.

    say: takes a sentence for people. sleep: waits; the loop's own by default. write: puts bytes in place of a file.
    """

    def __init__(
        self,
        path: Path,
        follower: StateFollower,
        *,
        say: Callable[[str], None],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        write: Callable[[Path, bytes], None] = write_atomically,
        every_s: float = EVERY_S,
    ) -> None:
        self._path = path
        self._follower = follower
        self._say = say
        self._sleep = sleep
        self._write_bytes = write
        self._every_s = every_s
        self._wanted = asyncio.Event()
        self._leaving = asyncio.Event()
        self._said = False
        self._keeping: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        try:
            await self._write(self._follower.state)
        except NEVER_WRITABLE as problem:
            raise UsageError(
                f"The status file {self._path} cannot be written: {problem.strerror}.",
                "Name a file in a folder that exists and that you may write to: --status FILE.",
            ) from problem
        except OSError as problem:
            self._failed(problem)
        self._follower.when_it_changes.append(self._changed)
        self._keeping = asyncio.create_task(self._keep(), name="status file")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._follower.when_it_changes.remove(self._changed)
        self._leaving.set()
        self._wanted.set()
        assert self._keeping is not None
        await self._keeping

    def _changed(self, before: SoakState, now: SoakState) -> None:
        if _worth_telling(before) != _worth_telling(now):
            self._wanted.set()

    async def _keep(self) -> None:
        """Write again and again, one at a time, until left; then once more how it ended."""
        while not self._leaving.is_set():
            await self._wanted_or_due()
            self._wanted.clear()
            if not self._leaving.is_set():
                await self._try_to_write(self._follower.state)
        await self._try_to_write(ended(self._follower.state, self._follower.now()))

    async def _try_to_write(self, state: SoakState) -> None:
        try:
            await self._write(state)
        except OSError as problem:
            self._failed(problem)

    async def _wanted_or_due(self) -> None:
        waiting = [
            asyncio.ensure_future(self._wanted.wait()),
            asyncio.ensure_future(self._sleep(self._every_s)),
        ]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for one in waiting:
                one.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)

    async def _write(self, state: SoakState) -> None:
        document = status_document(state, pid=os.getpid(), written_at=self._follower.now())
        text = json.dumps(document, ensure_ascii=False, indent=1) + "\n"
        await asyncio.to_thread(self._write_bytes, self._path, text.encode("utf-8", "backslashreplace"))

    def _failed(self, problem: OSError) -> None:
        if self._said:
            return
        self._said = True
        with contextlib.suppress(OSError):  # nobody may be listening at the other end of stderr either
            self._say(
                f"Note: the status file {self._path} could not be written ({problem.strerror}). The soak goes on; the "
                "file is tried again every few seconds, without another word."
            )


def _worth_telling(state: SoakState) -> tuple[object, ...]:
    return (state.phase, state.visit_id, state.round, state.turn, state.ap_config, state.blind, state.awake)


def status_document(state: SoakState, *, pid: int, written_at: datetime) -> dict[str, Any]:
    """Return the document. Times are UTC in ISO 8601; null is "not known" or "none". A part of the format, like the
    columns of the tidy table: keys may be added, none changes its meaning."""
    second = None if state.last_second is None else state.last_second.second
    return {
        "format": FORMAT,
        "written_at": written_at.isoformat(),
        "stale_after_s": STALE_AFTER_S,
        "pid": pid,
        "site": state.site,
        "location": state.location,
        "profile": state.profile,
        "visit_id": state.visit_id,
        "simulated": state.simulated,
        "state": str(state.phase),
        "since": state.since.isoformat(),
        "outcome": state.outcome,
        "paused": None if state.paused is None else {"reason": state.paused.reason, "why": state.paused.why},
        "round": state.round,
        "rounds_wanted": state.rounds_wanted,
        "turn": state.turn,
        "ap_config": state.ap_config,
        "next_round_at": _time(state.next_round_at),
        "until": _time(state.until),
        "tests": {str(status): count for status, count in state.tests.items()},
        "rounds_passed": dict(state.rounds_passed),
        "last_tests": [
            {
                "ap_config": ap_config,
                "leg": leg,
                "engine": engine,
                "direction": direction,
                "started_at": last.started_at.isoformat(),
                "status": str(last.status),
                "throughput_mbps": last.throughput_mbps,
                "rtt_loaded_p95_ms": last.rtt_loaded_p95_ms,
            }
            for (ap_config, leg, engine, direction), last in sorted(state.last_tests.items())
        ],
        "path": {
            "up": state.up,
            "away_since": _time(state.away_since),
            "blind": state.blind,
            "blind_why": state.blind_why,
            "rtt_p50_ms": None if second is None else second.rtt_p50_ms,
            "rssi_dbm": None if second is None else second.rssi_dbm,
        },
        "dropouts": _outages(state.dropouts),
        "other_outages": {str(cause): _outages(state.outages[cause]) for cause in Cause if cause not in DROPOUT_CAUSES},
        "sleeps": {"count": state.sleeps.count, "seconds": state.sleeps.total_s},
        "sleep_held_off": {"held": state.awake, "why": state.awake_why},
    }


def _outages(outages: Outages) -> dict[str, Any]:
    return {"count": outages.count, "seconds": outages.total_s, "last": _outage(outages.last)}


def _outage(outage: OutageEnded | None) -> dict[str, Any] | None:
    if outage is None:
        return None
    return {
        "began_at": outage.began_at.isoformat(),
        "length_s": outage.length_s,
        "cause": str(outage.cause),
        "why": outage.why,
    }


def _time(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()
