"""Puts a visit together out of all the rooms, runs it, and returns what came of it. ``run`` and ``demo`` share this.

    files -> plan -> servers -> engines -> questions to the person -> store (locked) -> preflight -> conductor

Whatever can be refused is refused before anything is measured. May import everything of sitetest; nothing of it is
imported before a command needs it.
"""

import asyncio
import platform
import secrets
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from sitetest import __version__
from sitetest.cli.connection import Connections
from sitetest.cli.earlier_results import resume_command, unfinished_visit
from sitetest.cli.far_ends import FarEnds, engines_for, reach
from sitetest.cli.interrupts import Interrupts, on_interrupt
from sitetest.cli.observing import declared_radio, observers_for
from sitetest.cli.operator import TypingOperator
from sitetest.cli.planned_visit import PlannedVisit, plan_visit, planned
from sitetest.cli.progress import Screen
from sitetest.cli.questions import agree, choose_ap_configs
from sitetest.cli.readiness import PlannedApConfigs, preflight_of
from sitetest.cli.results_folder import require_results
from sitetest.cli.way_findings import cable_note
from sitetest.engines.known_servers import KnownServers
from sitetest.errors import UsageError
from sitetest.observe.interface import interface_facts
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import ap_configs_to_ask
from sitetest.plan.plan_json import plan_from_json, plan_to_json
from sitetest.plan.site import Requirement
from sitetest.report.cautions import CONSENT, internet_caution
from sitetest.store.database import Store
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, BaselineRecord, TurnRecord, VisitKind, VisitRecord
from sitetest.visit.agenda import Agenda
from sitetest.visit.clock import SystemClock
from sitetest.visit.conductor import COMPLETE, INTERRUPTED, Conductor, VisitOutcome
from sitetest.visit.path import SystemPath
from sitetest.visit.preflight import accepting, preflight

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
    ap_configs = PlannedApConfigs.of(visit_plan.site, plan)
    async with AsyncExitStack() as stack:
        known = KnownServers()
        connections = Connections(stack, known, wishes.token, wishes.internet_token)
        ends = await reach(connections, plan, visit_plan.site.server, wishes.server)
        client = platform.node() or "laptop"
        engines = engines_for(plan, ends, client)
        store = stack.enter_context(Store.open(store_path(wishes.site_dir), create=begun is None, now=clock.now))
        asked = preflight_of(
            wishes.site_dir, plan, ap_configs, ends=ends, engines=engines, agent=client, yes=wishes.yes
        )
        checks = await preflight(asked)
        for check in checks:
            if not check.ok:
                screen.say(f"Note: {check.detail}")
        if wishes.remember:
            for leg in accepting(checks):
                connections.worked(ends.servers[leg])
        for note in known.notes:
            screen.say(f"Note: {note}")
        if ends.simulated is None:
            screen.say(f"Caution: {CONSENT}")
            for line in await _cable_notes(ends):
                screen.say(f"Note: {line}")
        if begun is None:
            for line in _unfinished_lines(wishes, plan):
                screen.say(line)
        await _agree_to_internet_volume(visit_plan, wishes, screen, next_line)
        visit = begun.visit if begun is not None else _new_visit(plan, client, ends, clock)
        _refuse_other_kind_of_link(visit, ends)
        stop = asyncio.Event()
        path = SystemPath(ends.targets())
        radio = declared_radio(visit_plan.site, plan, ends, path)
        observers = observers_for(ends)
        baseline = _baseline(store, ends)
        stack.push_async_callback(observers.close)
        conductor = Conductor(
            clock=clock,
            keeper=store,
            engines=engines,
            path=path,
            ap_configs=ap_configs.facts,
            servers=ends.labels,
            new_id=lambda: secrets.token_hex(8),
            stop=stop,
            switch=ap_configs.switch(),
            operator=None if wishes.yes else _operator(screen, next_line, stop, plan, ap_configs),
            observers=observers,
            radio=radio.check,
            expected=radio.expected,
            baseline=baseline,
            subscribers=(screen,),
        )
        already = None if begun is None else store.attempts(visit.visit_id)
        outcome = await _conduct(conductor, plan, visit, already, begun=store.turns(visit.visit_id), screen=screen)
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
            baseline=baseline,
            turns=tuple(store.turns(visit.visit_id)),
            requirements=visit_plan.site.requirements,
        )


async def _conduct(
    conductor: Conductor,
    plan: Plan,
    visit: VisitRecord,
    already: Sequence[AttemptRecord] | None,
    *,
    begun: Sequence[TurnRecord],
    screen: Screen,
) -> VisitOutcome | None:
    """Run the conductor under Ctrl-C; None when the person stopped it at once."""
    running = asyncio.create_task(conductor.run(plan, visit, already, begun), name="visit")

    def said(text: str) -> None:
        screen.stop_asked()
        screen.say(text)

    interrupts = Interrupts(conductor.stop, running, said)
    with screen, on_interrupt(interrupts.press):
        try:
            return await running
        except asyncio.CancelledError:
            if not interrupts.stopped_at_once:
                raise
            return None


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
        _refuse_other_plan(wishes)
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


def _refuse_other_plan(wishes: Wishes) -> None:
    given = {
        "--ap-config": wishes.ap_configs,
        "--engine": wishes.engine,
        "--seed": wishes.seed,
        "--give-up-early": wishes.give_up_early or None,
    }
    for option, value in given.items():
        if value is not None and value != ():
            raise UsageError(
                f"{option} cannot be given together with --resume: the visit goes on with the plan that it began with.",
                f"Leave {option} out, or begin a new visit without --resume.",
            )


def _refuse_other_kind_of_link(visit: VisitRecord, ends: FarEnds) -> None:
    """Every row of a visit says whether its link was simulated: what answers now must be of the same kind."""
    if (visit.simulated is None) != (ends.simulated is None):
        was, now = ("real", "simulated") if visit.simulated is None else ("simulated", "real")
        raise UsageError(
            f"The visit began on a {was} link, and the server that answers now has a {now} one.",
            "Name the server that it began with, or begin a new visit without --resume.",
        )


async def _agree_to_internet_volume(
    visit_plan: PlannedVisit, wishes: Wishes, screen: Screen, next_line: NextLine
) -> None:
    caution = internet_caution(visit_plan.estimate)
    if not caution:
        return
    screen.say(f"Caution: {caution}")
    if not wishes.yes and not await agree("Go on and move that data?", next_line, screen.say):
        raise UsageError(
            "Nothing was measured: the internet leg was not agreed to.", "Measure without it: legs in the profile."
        )


def _with_seconds(store: StoreReader, visit_id: str) -> tuple[AttemptRecord, ...]:
    """Return the attempts of a visit, each with its seconds: how steady they were is part of what binds a case."""
    return tuple(replace(record, seconds=tuple(store.seconds(record.test_id))) for record in store.attempts(visit_id))


def _baseline(store: StoreReader, ends: FarEnds) -> BaselineRecord | None:
    """Return the newest wired baseline to the LAN server; None when the wire to it was never measured."""
    server = ends.labels.get(Leg.LAN)
    to_it = [baseline for baseline in store.baselines() if baseline.server == server]
    return to_it[-1] if to_it and ends.simulated is None else None


async def _cable_notes(ends: FarEnds) -> list[str]:
    """Say once, before anything is measured, that packets leave over a cable or through a tunnel."""
    targets = ends.targets()
    path = SystemPath(targets)
    routes = [await path.route(leg) for leg in targets]
    names = dict.fromkeys(route.interface for route in routes if route is not None and route.interface is not None)
    facts = [await asyncio.to_thread(interface_facts, name) for name in names]
    return [note for one in facts if (note := cable_note(one))]


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


def _new_visit(plan: Plan, client: str, ends: FarEnds, clock: SystemClock) -> VisitRecord:
    return VisitRecord(
        visit_id=secrets.token_hex(8),
        site=plan.site,
        location=plan.location,
        profile=plan.profile,
        started_at=clock.now(),
        plan=plan_to_json(plan),
        seed=plan.seed,
        client=client,
        sitetest_version=__version__,
        simulated=ends.simulated,
    )
