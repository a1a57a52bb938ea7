"""Puts a visit together out of all the rooms, runs it, and returns what came of it. ``run`` and ``demo`` share this.

    files -> plan -> servers -> engines -> questions to the person -> store (locked) -> preflight -> conductor

Whatever can be refused is refused before anything is measured. May import everything of sitetest; nothing of it is
imported before a command needs it.
"""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from sitetest import __version__
from sitetest.cli.conducting import conducted
from sitetest.cli.earlier_results import resume_command, unfinished_visit
from sitetest.cli.operator import TypingOperator
from sitetest.cli.planned_visit import PlannedVisit, plan_visit, planned
from sitetest.cli.progress import Screen
from sitetest.cli.questions import agree_to_internet_volume, choose_ap_configs
from sitetest.cli.readiness import PlannedApConfigs
from sitetest.cli.ready import Ready, ServerWishes, get_ready
from sitetest.cli.results_folder import require_results
from sitetest.cli.resuming import refuse_other_kind_of_link, refuse_other_plan
from sitetest.errors import UsageError
from sitetest.plan.cases import Plan
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import ap_configs_to_ask
from sitetest.plan.plan_json import plan_from_json, plan_to_json
from sitetest.plan.site import Requirement
from sitetest.store.reading import StoreReader
from sitetest.store.records import AttemptRecord, BaselineRecord, TurnRecord, VisitKind, VisitRecord
from sitetest.visit.agenda import Agenda
from sitetest.visit.clock import SystemClock
from sitetest.visit.conductor import COMPLETE, INTERRUPTED, Conductor

NextLine = Callable[[], Awaitable[str | None]]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the command line says. server, token, internet_token, ap_configs, engine, seed: None when left out. yes: ask
    nothing. give_up_early: whatever the profile says. remember: keep the server's token for the next time. prepared: a
    plan from elsewhere than the profile."""

    site_dir: Path
    profile: str
    server: str | None = None
    token: str | None = None
    internet_token: str | None = None
    ap_configs: tuple[str, ...] | None = None
    engine: str | None = None
    seed: int | None = None
    give_up_early: bool = False
    yes: bool = False
    resume: bool = False
    remember: bool = True
    prepared: PlannedVisit | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """What came of it. outcome: a word of the conductor. open_slots: still wanted. without_result: settled without one.
    attempts: of the whole visit, earlier parts included. saved: measurements up to the plan's maximum that were not
    made since their comparisons were decided. table_problem: why results.csv is behind; None when it is not.
    nothing_left: there was nothing to resume. turns: as they began. requirements: of the site. baseline: the wired
    baseline that the attempts were held against; None when there is none."""

    visit: VisitRecord
    plan: Plan
    outcome: str
    open_slots: int
    without_result: int
    attempts: tuple[AttemptRecord, ...]
    saved: int = 0
    table_problem: str | None = None
    nothing_left: bool = False
    turns: tuple[TurnRecord, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    baseline: BaselineRecord | None = None


def run_to_the_end(wishes: Wishes) -> Session:
    """Run a visit with progress on stderr and a person at the keyboard. Blocks. Raises SitetestError."""
    from sitetest.cli.consoles import messages_console
    from sitetest.cli.progress import screen_on
    from sitetest.cli.typed_line import TypedLines

    clock = SystemClock()
    screen = screen_on(messages_console(), clock.monotonic_s)
    return asyncio.run(run_visit(wishes, screen, TypedLines().next_line, clock))


async def run_visit(wishes: Wishes, screen: Screen, next_line: NextLine, clock: SystemClock) -> Session:
    """Run one visit, or what is left of it. Raises SitetestError, and KeyboardInterrupt before anything is measured."""
    begun = None
    if wishes.resume:
        begun = _begun_visit(wishes)
        if begun.outcome == COMPLETE:
            return begun
    visit_plan = await _plan(wishes, begun, screen, next_line)
    plan = visit_plan.plan
    async with AsyncExitStack() as stack:
        ready = await get_ready(
            stack,
            wishes.site_dir,
            visit_plan.site,
            plan,
            ServerWishes(wishes.server, wishes.token, wishes.internet_token, wishes.remember),
            measurements=len(plan.slots),
            create=begun is None,
            nobody_asked=wishes.yes,
            say=screen.say,
            clock=clock,
        )
        ends, store = ready.ends, ready.store
        if begun is None:
            for line in _unfinished_lines(wishes, plan):
                screen.say(line)
        await agree_to_internet_volume(visit_plan.estimate, screen, next_line, yes=wishes.yes)
        visit = begun.visit if begun is not None else _new_visit(plan, ready, clock)
        refuse_other_kind_of_link(visit, ends.simulated)
        stop = asyncio.Event()
        conductor = Conductor(
            clock=clock,
            keeper=store,
            engines=ready.engines,
            path=ready.path,
            ap_configs=ready.ap_configs.facts,
            servers=ends.labels,
            new_id=lambda: secrets.token_hex(8),
            stop=stop,
            switch=ready.ap_configs.switch(),
            operator=None if wishes.yes else _operator(screen, next_line, stop, plan, ready.ap_configs),
            observers=ready.observers,
            radio=ready.radio.check,
            expected=ready.radio.expected,
            baseline=ready.baseline,
            subscribers=(screen,),
        )
        already = None if begun is None else store.attempts(visit.visit_id)
        outcome = await conducted(conductor.run(plan, visit, already, begun=store.turns(visit.visit_id)), stop, screen)
        attempts = _with_seconds(store, visit.visit_id)
        agenda = Agenda(plan, attempts, store.turns(visit.visit_id))
        return Session(
            visit=visit,
            plan=plan,
            outcome=INTERRUPTED if outcome is None else outcome.outcome,
            open_slots=agenda.open if outcome is None else outcome.open_slots,
            without_result=len(agenda.without_result if outcome is None else outcome.without_result),
            attempts=attempts,
            saved=agenda.saved,
            table_problem=store.table_problem,
            baseline=ready.baseline,
            turns=tuple(store.turns(visit.visit_id)),
            requirements=visit_plan.site.requirements,
        )


def _begun_visit(wishes: Wishes) -> Session:
    """Return the last visit of the profile as it stands. Raises UsageError when there was none."""
    profile = load_profile(wishes.site_dir, wishes.profile)
    with StoreReader.read_only(require_results(wishes.site_dir)) as store:
        visits = [
            one
            for one in store.visits()
            if (one.profile, one.location, one.kind) == (profile.name, profile.location, VisitKind.RUN)
        ]
        if not visits:
            raise UsageError(
                f"There is no visit of the profile {profile.name!r} to go on with.", "Start one: leave --resume out."
            )
        visit = visits[-1]
        outcome = store.outcome(visit.visit_id)
        attempts = _with_seconds(store, visit.visit_id)
        turns = tuple(store.turns(visit.visit_id))
    plan = plan_from_json(visit.plan)
    agenda = Agenda(plan, attempts, turns)
    return Session(
        visit=visit,
        plan=plan,
        outcome=outcome or INTERRUPTED,
        open_slots=0 if outcome == COMPLETE else agenda.open,
        without_result=len(agenda.without_result),
        attempts=attempts,
        saved=agenda.saved,
        nothing_left=outcome == COMPLETE,
        turns=turns,
        requirements=load_site(wishes.site_dir).requirements,
    )


async def _plan(wishes: Wishes, begun: Session | None, screen: Screen, next_line: NextLine) -> PlannedVisit:
    if wishes.prepared is not None:
        return wishes.prepared
    if begun is not None:
        refuse_other_plan(
            {
                "--ap-config": wishes.ap_configs,
                "--engine": wishes.engine,
                "--seed": wishes.seed,
                "--give-up-early": wishes.give_up_early,
            }
        )
        site = load_site(wishes.site_dir)
        return planned(wishes.site_dir, site, load_profile(wishes.site_dir, wishes.profile), begun.plan)
    ap_configs = wishes.ap_configs
    if not ap_configs and not wishes.yes:
        choice = ap_configs_to_ask(load_site(wishes.site_dir), load_profile(wishes.site_dir, wishes.profile))
        if choice:
            ap_configs = await choose_ap_configs(choice, next_line, screen.say)
    return plan_visit(
        wishes.site_dir, wishes.profile, ap_configs, wishes.engine, wishes.seed, give_up_early=wishes.give_up_early
    )


def _with_seconds(store: StoreReader, visit_id: str) -> tuple[AttemptRecord, ...]:
    """Return the attempts of a visit, each with its seconds: how steady they were is part of what binds a case."""
    return tuple(replace(record, seconds=tuple(store.seconds(record.test_id))) for record in store.attempts(visit_id))


def _unfinished_lines(wishes: Wishes, plan: Plan) -> list[str]:
    """Say that a visit of this profile was left unfinished, and how to go on with it instead."""
    left = None if wishes.prepared else unfinished_visit(wishes.site_dir, plan.profile, plan.location)
    if left is None:
        return []
    command = resume_command(plan.profile, wishes.site_dir)
    return [f"Note: {left.sentence()} This begins a new one. To go on with it: Ctrl-C, then", f"  {command}"]


def _operator(
    screen: Screen, next_line: NextLine, stop: asyncio.Event, plan: Plan, ap_configs: PlannedApConfigs
) -> TypingOperator:
    access_points = {config.name: config.access_point for config in ap_configs.configs}
    return TypingOperator(screen, next_line, stop, turns=len(plan.turns), access_points=access_points)


def _new_visit(plan: Plan, ready: Ready, clock: SystemClock) -> VisitRecord:
    return VisitRecord(
        visit_id=secrets.token_hex(8),
        site=plan.site,
        location=plan.location,
        profile=plan.profile,
        started_at=clock.now(),
        plan=plan_to_json(plan),
        seed=plan.seed,
        client=ready.client,
        sitetest_version=__version__,
        simulated=ready.ends.simulated,
    )
