"""Puts a soak together out of all the rooms, runs it, and returns what came of it.

    files -> plan -> servers -> engines -> store (locked) -> preflight -> one question -> watch and conductor

Whatever can be refused is refused before anything is measured; after that nobody is asked any more. May import
everything of sitetest; nothing of it is imported before a command needs it.
"""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from sitetest import __version__
from sitetest.cli.conducting import conducted
from sitetest.cli.connection import AUTO, FarEnd
from sitetest.cli.earlier_results import soak_command
from sitetest.cli.earlier_soak import BegunSoak, last_soak
from sitetest.cli.far_ends import FarEnds
from sitetest.cli.observing import link_reader_for
from sitetest.cli.planned_soak import PlannedSoak, plan_soak, planned_soak, refuse_switching_by_hand
from sitetest.cli.questions import agree_to_soak
from sitetest.cli.ready import Ready, ServerWishes, get_ready
from sitetest.cli.resuming import refuse_other_kind_of_link, refuse_other_plan
from sitetest.cli.server_whereabouts import ServerWhereabouts
from sitetest.cli.soak_end import soak_end
from sitetest.cli.soak_screen import SoakScreen
from sitetest.cli.stay_awake import StayAwake
from sitetest.cli.watch_passes import ServerPasses
from sitetest.errors import UsageError
from sitetest.observe.watch.path_watch import PathWatch
from sitetest.plan.cases import Case, Leg
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.soak_plan import SoakPlan
from sitetest.plan.soak_plan_json import soak_plan_to_json
from sitetest.report.cautions import internet_caution
from sitetest.report.local_time import day_and_time
from sitetest.report.soak_plan_text import soak_facts
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import VisitKind, VisitRecord
from sitetest.store.tidy import is_counted
from sitetest.visit.clock import SystemClock
from sitetest.visit.conductor import COMPLETE, INTERRUPTED
from sitetest.visit.events import Noted
from sitetest.visit.soak.conductor import SoakConductor
from sitetest.visit.soak.events import SoakSubscriber
from sitetest.visit.soak.state import SLEEP_NOT_HELD_OFF, StateFollower

NextLine = Callable[[], Awaitable[str | None]]


@dataclass(frozen=True, slots=True)
class SoakWishes:
    """What the command line says. length, until, rounds: how long, as typed. status: file that says how it stands.
    metrics_port: on loopback; 0 for any. None when left out. yes: ask nothing."""

    site_dir: Path
    profile: str
    length: str | None = None
    until: str | None = None
    rounds: int | None = None
    servers: ServerWishes = ServerWishes()  # noqa: RUF009 - frozen
    ap_configs: tuple[str, ...] | None = None
    engine: str | None = None
    seed: int | None = None
    yes: bool = False
    resume: bool = False
    status: Path | None = None
    metrics_port: int | None = None


@dataclass(frozen=True, slots=True)
class SoakSession:
    """What came of it. plan: with the end that this part had. outcome: a word of the conductor. rounds: that were
    begun, of all parts; those that passed are no such. tests: of all parts. without_result: cases without any valid
    result.
    lost_facts: seconds and events that found room neither on disk nor in memory. table_problem: why results.csv is
    behind; None when it is not. nothing_left: there was nothing to resume."""

    visit: VisitRecord
    plan: SoakPlan
    outcome: str
    rounds: int
    tests: int
    without_result: tuple[Case, ...]
    lost_facts: int = 0
    table_problem: str | None = None
    nothing_left: bool = False


def soak_to_the_end(wishes: SoakWishes) -> SoakSession:
    """Run a soak with progress on stderr. Blocks for hours. Raises SitetestError."""
    from sitetest.cli.consoles import messages_console
    from sitetest.cli.soak_screen import soak_screen_on
    from sitetest.cli.typed_line import TypedLines

    clock = SystemClock()
    screen = soak_screen_on(messages_console(), clock.now)
    return asyncio.run(run_soak(wishes, screen, TypedLines().next_line, clock))


async def run_soak(wishes: SoakWishes, screen: SoakScreen, next_line: NextLine, clock: SystemClock) -> SoakSession:
    """Run one soak, or go on with the last one. Raises SitetestError, and KeyboardInterrupt before anything is
    measured."""
    begun = _begun(wishes, clock) if wishes.resume else None
    if begun is not None and begun.is_over(clock.now()):
        return _nothing_left(wishes, begun)
    soak = _planned(wishes, begun, clock)
    plan = soak.plan
    refuse_switching_by_hand(soak.site, plan)
    follower = StateFollower(clock.now, None if begun is None else begun.state)
    async with AsyncExitStack() as stack:
        await _serve(stack, wishes, follower, screen)
        screen.say(f"{plan.location} - {plan.site}, profile {plan.profile}, unattended")
        for fact in soak_facts(plan, soak.estimate):
            screen.say(f"  {fact}")
        ready = await get_ready(
            stack,
            wishes.site_dir,
            soak.site,
            plan,
            wishes.servers,
            measurements=soak.estimate.tests,
            create=begun is None,
            nobody_asked=True,
            say=screen.say,
            clock=clock,
        )
        server_is_named = wishes.servers.server is not None or soak.site.server.lan != AUTO
        watched = _Watched.of(ready.ends, server_is_named)
        caution = internet_caution(soak.estimate)
        if caution:
            screen.say(f"Caution: {caution}")
        if begun is None:
            for line in _unfinished_lines(wishes, plan, ready.store):
                screen.say(line)
        if begun is None and not wishes.yes:
            await agree_to_soak(screen, next_line)
        visit = begun.visit if begun is not None else _new_visit(plan, ready, clock)
        refuse_other_kind_of_link(visit, ready.ends.simulated)
        subscribers = (screen, follower)
        awake = await stack.enter_async_context(StayAwake(lost=lambda why: _tell_sleep(subscribers, why)))
        stop = asyncio.Event()
        conductor = _conductor(ready, watched, stop, subscribers, awake=awake, clock=clock)
        outcome = await conducted(conductor.run(plan, visit, None if begun is None else begun.so_far), stop, screen)
        kept = ready.store
        session = _as_kept(
            kept, visit, plan, INTERRUPTED if outcome is None else outcome.outcome, rounds=follower.state.rounds_begun
        )
        lost = 0 if outcome is None else outcome.dropped_seconds + outcome.dropped_facts
        return replace(session, lost_facts=lost, table_problem=kept.table_problem)


def _begun(wishes: SoakWishes, clock: SystemClock) -> BegunSoak:
    """Return the soak to go on with; with another end where one was asked for."""
    refuse_other_plan(
        {
            "--ap-config": wishes.ap_configs,
            "--engine": wishes.engine,
            "--seed": wishes.seed,
            "--rounds": wishes.rounds,
        },
        "soak",
    )
    now = clock.now()
    begun = last_soak(wishes.site_dir, load_profile(wishes.site_dir, wishes.profile), now)
    if wishes.length is None and wishes.until is None:
        return begun
    end = soak_end(wishes.length, wishes.until, None, now)
    return replace(begun, plan=replace(begun.plan, until=end.until, rounds=None))


def _planned(wishes: SoakWishes, begun: BegunSoak | None, clock: SystemClock) -> PlannedSoak:
    now = clock.now()
    if begun is None:
        end = soak_end(wishes.length, wishes.until, wishes.rounds, now)
        return plan_soak(
            wishes.site_dir,
            wishes.profile,
            end,
            now=now,
            ap_configs=wishes.ap_configs,
            engine=wishes.engine,
            seed=wishes.seed,
        )
    left = begun.plan
    if left.rounds is not None:
        left = replace(left, rounds=left.rounds - begun.so_far.rounds)
    site, profile = load_site(wishes.site_dir), load_profile(wishes.site_dir, wishes.profile)
    return replace(planned_soak(wishes.site_dir, site, profile, left, now), plan=begun.plan)


async def _serve(stack: AsyncExitStack, wishes: SoakWishes, follower: StateFollower, screen: SoakScreen) -> None:
    """Begin to say how it stands to those who asked for it. Raises UsageError for a file or a port that is not to be
    had."""
    if wishes.status is not None:
        from sitetest.cli.status_file import StatusFile

        await stack.enter_async_context(StatusFile(wishes.status, follower, say=screen.say))
    if wishes.metrics_port is not None:
        from sitetest.cli.metrics_endpoint import metrics_endpoint

        url = await stack.enter_async_context(metrics_endpoint(wishes.metrics_port, follower))
        screen.say(f"Metrics: {url}")


@dataclass(frozen=True, slots=True)
class _Watched:
    """The path that is watched all along: that of the LAN leg, or of the only leg. discovered: its server was found by
    DNS-SD, and may be found so again."""

    leg: Leg
    end: FarEnd
    discovered: bool

    @classmethod
    def of(cls, ends: FarEnds, server_is_named: bool) -> "_Watched":
        """Choose it. Raises UsageError where there is no test server on it."""
        leg = Leg.LAN if Leg.LAN in ends.servers else Leg.INTERNET
        if leg not in ends.servers:
            raise UsageError(
                "A soak watches the path to a sitetest-server, and this profile measures against a URL alone.",
                'Add "lan" to matrix.legs, or run a sitetest-server on the far side and name it as server.internet.',
            )
        return cls(leg, ends.servers[leg], leg is Leg.LAN and not server_is_named)


def _conductor(
    ready: Ready,
    watched: _Watched,
    stop: asyncio.Event,
    subscribers: tuple[SoakSubscriber, ...],
    *,
    awake: StayAwake,
    clock: SystemClock,
) -> SoakConductor:
    leg, end = watched.leg, watched.end
    watch = PathWatch(
        ServerPasses(end.api, ready.client), lambda: ready.path.route(leg), reader=link_reader_for(ready.ends)
    )
    return SoakConductor(
        clock=clock,
        keeper=ready.store,
        engines=ready.engines,
        path=ready.path,
        watch=watch,
        whereabouts=ServerWhereabouts(leg, end, ready.path, discovered=watched.discovered),
        ap_configs=ready.ap_configs.facts,
        servers=ready.ends.labels,
        new_id=lambda: secrets.token_hex(8),
        stop=stop,
        switch=ready.ap_configs.switch(),
        observers=ready.observers,
        radio=ready.radio.check,
        expected=ready.radio.expected,
        baseline=ready.baseline,
        subscribers=subscribers,
        awake=awake.held,
        awake_why=awake.why,
    )


def _tell_sleep(subscribers: tuple[SoakSubscriber, ...], why: str) -> None:
    for tell in subscribers:
        tell(Noted(SLEEP_NOT_HELD_OFF, why))


def _unfinished_lines(wishes: SoakWishes, plan: SoakPlan, store: StoreReader) -> list[str]:
    """Say that a soak of this profile was left unfinished, and how to go on with it instead."""
    left = store.unfinished_visit(plan.profile, plan.location, VisitKind.SOAK)
    if left is None:
        return []
    began = day_and_time(left.started_at)
    return [
        f"Note: a soak of {left.profile}, begun {began}, was not finished. This begins a new one. To go on with it:",
        f"  {soak_command(left.profile, wishes.site_dir, '--resume')}",
    ]


def _nothing_left(wishes: SoakWishes, begun: BegunSoak) -> SoakSession:
    with StoreReader.read_only(store_path(wishes.site_dir)) as store:
        session = _as_kept(store, begun.visit, begun.plan, COMPLETE, rounds=begun.state.rounds_begun)
    return replace(session, nothing_left=True)


def _as_kept(store: StoreReader, visit: VisitRecord, plan: SoakPlan, outcome: str, *, rounds: int) -> SoakSession:
    tests = 0
    valued = set()
    for record in store.attempts(visit.visit_id):
        tests += 1
        if is_counted(record):
            valued.add((record.ap_config, record.leg, record.engine, record.direction))
    without = tuple(
        case for case in plan.cases if (case.ap_config, case.leg, case.engine, case.direction) not in valued
    )
    return SoakSession(visit, plan, outcome, rounds, tests, without)


def _new_visit(plan: SoakPlan, ready: Ready, clock: SystemClock) -> VisitRecord:
    return VisitRecord(
        visit_id=secrets.token_hex(8),
        site=plan.site,
        location=plan.location,
        profile=plan.profile,
        started_at=clock.now(),
        plan=soak_plan_to_json(plan),
        seed=plan.seed,
        client=ready.client,
        sitetest_version=__version__,
        simulated=ready.ends.simulated,
        kind=VisitKind.SOAK,
    )
