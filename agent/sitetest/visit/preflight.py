"""Is everything fit to measure? Asked before the first attempt; nothing is changed by asking.

    what                          must stop the run when it is not so
    AP configs can be applied     UsageError
    apply commands exist          UsageError
    engine usable here            EngineUnusable
    room on the disk              StoreFull
    results can be written        StoreNotWritable
    server reachable              ServerUnreachable   (of an internet leg: only when there is no LAN leg)
    versions agree                VersionMismatch     (as above)
    engine usable at the server   EngineUnusable
    token accepted, lease works   ServerRefused       (as above)

:func:`examine` asks everything and returns every answer; :func:`preflight` raises for the first that must stop the run.

May import plan, engines.base, errors, sitetest_wire, visit and the standard library only. Foreign exceptions of the
server's door are translated by a callable that is passed in.
"""

import asyncio
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any, Protocol

from sitetest.engines.base import Engine, Watch
from sitetest.errors import EngineUnusable, SitetestError, StoreFull, StoreNotWritable, UsageError, VersionMismatch
from sitetest.plan.cases import Case, Leg, Plan, Timing
from sitetest.plan.soak_plan import SoakPlan
from sitetest.visit.turn_begin import ApConfigFacts
from sitetest.visit.unwatched import Unwatched
from sitetest_wire.messages import PROTOCOL_VERSION, Identity, LeaseRequest
from sitetest_wire.words import EngineName

LEAST_FREE_BYTES = 50_000_000
"""Below this a disk counts as full whatever the plan writes: other programs want room as well. Common practice."""

_BYTES_PER_ATTEMPT = 16_000
_BYTES_PER_STREAM_SECOND = 500
"""libiperf's own record takes 350 bytes for each stream and second (docs/measuring.md); our seconds and the table, less
than half as much again."""


class ServerDoor(Protocol):
    """What is asked of a test server; `engines/server_api.py` is the real one."""

    async def identity(self) -> Identity:
        """Ask who the server is and what it can do."""

    def lease(
        self, request: LeaseRequest, watch: Watch, stop: asyncio.Event | None = None
    ) -> AbstractAsyncContextManager[object]:
        """Hold a lease over the block."""


@dataclass(frozen=True, slots=True)
class Check:
    """One answer. detail: what was seen. next_step: what to do about it; empty when all is well. stops: the error that
    ends the run, None when it may go on. accepted: the leg whose server took our token; None: not asked, or refused.
    engine: the one that the answer is about; None: about none in particular."""

    name: str
    ok: bool
    detail: str
    next_step: str = ""
    stops: SitetestError | None = None
    accepted: Leg | None = None
    engine: EngineName | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preflight:
    """What is to be asked, and of whom.

    doors: the test server of each leg; a leg without one (a download from a URL) is not asked. engines: by leg and
    name; one that is missing is not asked about. problems: what a door may raise beside SitetestError; anything else
    is a fault of ours and passes through. translate: turns one of them into the error that ends a command. agent: label
    of this laptop, for whoever waits at the server. wanted_bytes: that the plan writes. commands: apply command of each
    AP config that has one. somebody_to_ask: False under ``--yes``. free_bytes: of the file system that holds a folder.
    """

    plan: Plan | SoakPlan
    doors: Mapping[Leg, ServerDoor]
    engines: Mapping[tuple[Leg, EngineName], Engine]
    problems: tuple[type[Exception], ...]
    translate: Callable[[Any], SitetestError]
    agent: str
    results_dir: Path
    ap_configs: Mapping[str, ApConfigFacts]
    wanted_bytes: int
    commands: Mapping[str, Sequence[str]] = field(default_factory=dict)
    somebody_to_ask: bool = True
    free_bytes: Callable[[Path], int] = field(default=lambda folder: shutil.disk_usage(folder).free)

    @property
    def expected(self) -> tuple[type[Exception], ...]:
        """Exceptions of a door that say that all is not well there."""
        return (SitetestError, *self.problems)


async def preflight(asked: Preflight) -> list[Check]:
    """Ask until something must stop the run, and raise that; otherwise return every answer.

    Raises UsageError, EngineUnusable, StoreFull, ServerError (see the table above).
    """
    checks: list[Check] = []
    for check in local_checks(asked):
        checks.append(_passed(check))
    for leg in asked.doors:
        for check in await _server_checks(asked, leg):
            checks.append(_passed(check))
    return checks


async def examine(asked: Preflight) -> list[Check]:
    """Ask everything and return every answer, good and bad."""
    checks = local_checks(asked)
    for leg in asked.doors:
        checks += await _server_checks(asked, leg)
    return checks


def accepting(checks: Iterable[Check]) -> set[Leg]:
    """Return the legs whose server has accepted our token: it gave a lease, or a place in its queue."""
    return {check.accepted for check in checks if check.accepted is not None}


def planned_bytes(timing: Timing, measurements: int) -> int:
    """Return about how much a plan writes into the results folder, at most; retries included twofold."""
    seconds = timing.warm_up_s + timing.duration_s
    per_attempt = _BYTES_PER_ATTEMPT + _BYTES_PER_STREAM_SECOND * timing.streams * seconds
    return round(2 * measurements * per_attempt)


def _passed(check: Check) -> Check:
    if check.stops is not None:
        raise check.stops
    return check


def _bad(name: str, error: SitetestError, engine: EngineName | None = None) -> Check:
    return Check(name, False, error.message, error.next_step, error, engine=engine)


# --- asked of this laptop -------------------------------------------------------------------------------------------


def local_checks(asked: Preflight) -> list[Check]:
    """Ask what needs no server, and return every answer."""
    engines = {(case.leg, case.engine) for case in asked.plan.cases}
    return [
        _switching(asked),
        *_apply_commands(asked),
        *(_engine_here(asked, leg, engine) for leg, engine in sorted(engines) if (leg, engine) in asked.engines),
        _room(asked),
        _writable(asked),
    ]


def _switching(asked: Preflight) -> Check:
    name = "AP configs can be applied"
    wanted = asked.plan.ap_configs
    by_hand = [ap_config for ap_config in wanted if not asked.ap_configs[ap_config].by_command]
    if len(wanted) > 1 and by_hand and not asked.somebody_to_ask:
        return _bad(
            name,
            UsageError(
                f"The plan switches between {len(wanted)} AP configs, and nobody is to be asked (--yes), but site.toml "
                f"has no apply command for: {', '.join(by_hand)}.",
                "Give each an apply command in site.toml, name a single one with --ap-config, or leave --yes out.",
            ),
        )
    if len(wanted) == 1:
        return Check(name, True, f"only {wanted[0]} is measured")
    hands = f"; switched by hand: {', '.join(by_hand)}" if by_hand else ""
    return Check(name, True, f"{len(wanted)} AP configs{hands}")


def _apply_commands(asked: Preflight) -> list[Check]:
    return apply_checks({name: asked.commands[name] for name in asked.plan.ap_configs if asked.commands.get(name)})


def apply_checks(commands: Mapping[str, Sequence[str]]) -> list[Check]:
    """Look whether the apply command of each AP config exists; it is not run."""
    checks = []
    for ap_config, command in commands.items():
        name = f"apply command of {ap_config}"
        found, script = shutil.which(command[0]), _script_of(command)
        where = f"site.toml: apply of AP config {ap_config!r}"
        if found is None:
            error = UsageError(
                f"{where}: {command[0]!r} is not found or may not be run.", "Give its full path, or install it."
            )
            checks.append(_bad(name, error))
        elif script is not None and not Path(script).is_file():
            error = UsageError(
                f"{where}: {command[0]} is to run {script!r}, and there is no such file in {Path.cwd()}.",
                "Give the full path of the script, or start sitetest from the folder that it is in.",
            )
            checks.append(_bad(name, error))
        else:
            checks.append(Check(name, True, found if script is None else f"{found} {script}"))
    return checks


INTERPRETERS = ("python", "pypy", "sh", "bash", "dash", "zsh", "ksh", "fish", "perl", "ruby", "node", "pwsh")
"""Programs whose first argument is a script, unless it is an option. Common ones, from memory."""


def _script_of(command: Sequence[str]) -> str | None:
    """The script that an interpreter is told to run; None for another program, or where an option comes first."""
    program = PurePath(command[0].replace("\\", "/")).name.lower().removesuffix(".exe")
    if program.rstrip("0123456789.") not in INTERPRETERS or len(command) < 2 or command[1].startswith("-"):
        return None
    return command[1]


def _engine_here(asked: Preflight, leg: Leg, engine: EngineName) -> Check:
    name = f"engine {engine} on this laptop ({leg})"
    available = asked.engines[leg, engine].availability()
    if available.usable:
        told = " ".join(filter(None, [available.version, *available.notes])) or "usable"
        return Check(name, True, told, engine=engine)
    reason = available.reason or "no reason is known"
    error = EngineUnusable(f"The engine {engine} cannot be used on this laptop: {reason}", _other_engine(engine))
    return _bad(name, error, engine)


def _writable(asked: Preflight) -> Check:
    """Asked by making a file that has no name and is gone at once; rights alone do not tell of a read-only medium."""
    name = "results can be written"
    folder = _nearest_folder(asked.results_dir)
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
        unwritable = [path for path in asked.results_dir.glob("*.sqlite") if not os.access(path, os.W_OK)]
    except OSError as problem:
        error = StoreNotWritable(
            f"Nothing can be written to {folder}: {problem.strerror or problem}.",
            "Allow it for this user, or work on a copy of the site's folder elsewhere.",
        )
        return _bad(name, error)
    if unwritable:
        step = "Allow it for this user, or work on a copy of the site's folder elsewhere."
        return _bad(name, StoreNotWritable(f"{unwritable[0]} may not be written to.", step))
    return Check(name, True, str(asked.results_dir))


def _room(asked: Preflight) -> Check:
    name = "room for results"
    folder = _nearest_folder(asked.results_dir)
    free, needed = asked.free_bytes(folder), max(LEAST_FREE_BYTES, asked.wanted_bytes)
    if free < needed:
        error = StoreFull(
            f"Only {free / 1e6:.0f} MB are free for {asked.results_dir}; this plan wants {needed / 1e6:.0f} MB.",
            "Make room, or choose a site folder on another disk.",
        )
        return _bad(name, error)
    return Check(name, True, f"{free / 1e6:.0f} MB free, {needed / 1e6:.0f} MB wanted")


def _nearest_folder(folder: Path) -> Path:
    """The folder itself, or the nearest one above it that exists: what would hold it."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return folder


# --- asked of a server ----------------------------------------------------------------------------------------------


async def _server_checks(asked: Preflight, leg: Leg) -> list[Check]:
    cases = {case.engine: case for case in asked.plan.cases if case.leg is leg}
    if not cases:
        return []
    may_be_away = leg is Leg.INTERNET and any(case.leg is Leg.LAN for case in asked.plan.cases)
    name = f"server of the {leg} leg"
    try:
        identity = await asked.doors[leg].identity()
    except asked.expected as problem:
        return [_not_well(name, _error(asked, problem), may_be_away)]
    if identity.protocol != PROTOCOL_VERSION:
        older, step = ("agent", "here") if identity.protocol > PROTOCOL_VERSION else ("server", "there")
        error = VersionMismatch(
            f"{identity.name} ({identity.version}) speaks protocol {identity.protocol}, this agent speaks "
            f"{PROTOCOL_VERSION}; the {older} is the older one.",
            f"Install the newer sitetest {step} as well.",
        )
        return [_not_well(name, error, may_be_away)]
    checks = [Check(name, True, f"{identity.name}, version {identity.version}")]
    leases: list[Check] = []
    for case in cases.values():
        at_server = _engine_there(identity, case)
        checks.append(at_server)
        if at_server.ok and all(lease.ok for lease in leases):  # one refusal says it for all engines
            leases.append(await _lease(asked, identity, case, may_be_away))
            checks.append(leases[-1])
    return checks


def _engine_there(identity: Identity, case: Case) -> Check:
    name = f"engine {case.engine} at {identity.name} ({case.leg})"
    offer = identity.engines.get(case.engine)
    if offer is not None and offer.usable:
        return Check(name, True, offer.version or "usable", engine=case.engine)
    reason = offer.reason if offer is not None and offer.reason else "the server does not offer it"
    error = EngineUnusable(
        f"The engine {case.engine} cannot be used at {identity.name}: {reason}", _other_engine(case.engine)
    )
    return _bad(name, error, case.engine)


async def _lease(asked: Preflight, identity: Identity, case: Case, may_be_away: bool) -> Check:
    name = f"lease for {case.engine} at {identity.name} ({case.leg})"
    timing = asked.plan.timing
    request = LeaseRequest(
        agent=asked.agent,
        engine=case.engine,
        direction=case.direction,
        streams=timing.streams,
        warm_up_s=timing.warm_up_s,
        duration_s=timing.duration_s,
        congestion_control=timing.congestion_control,
    )
    queue = QueueWatch()
    try:
        async with asked.doors[case.leg].lease(request, queue, queue.stop):
            pass
    except asked.expected as problem:
        error = _error(asked, problem)
        if queue.place is None:
            return _not_well(name, error, may_be_away)
        seen = f"granted in turn; now {queue.held_by or 'another agent'} is measuring"
        return Check(name, True, seen, accepted=case.leg)
    return Check(name, True, "granted and given back", accepted=case.leg)


class QueueWatch(Unwatched):
    """Does not wait: being given a place in the queue shows that token and lease work."""

    def __init__(self) -> None:
        self.stop = asyncio.Event()
        self.place: int | None = None
        self.held_by: str | None = None

    def waiting(self, place: int, wait_s: float, held_by: str | None) -> None:  # noqa: ARG002 - the Watch protocol
        self.place, self.held_by = place, held_by
        self.stop.set()


def _error(asked: Preflight, problem: Exception) -> SitetestError:
    if isinstance(problem, SitetestError):
        return problem
    error = asked.translate(problem)
    error.__cause__ = problem
    return error


def _not_well(name: str, error: SitetestError, may_be_away: bool) -> Check:
    if not may_be_away:
        return _bad(name, error)
    return Check(name, False, f"{error.message} The LAN leg is measured all the same.", error.next_step)


def _other_engine(engine: EngineName) -> str:
    if engine is EngineName.IPERF3:
        return "Or measure with --engine http, which needs nothing installed."
    return "Or measure with --engine iperf3."
