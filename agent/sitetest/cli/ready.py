"""What a run and a soak stand on before their first test: servers reached, engines chosen, store open and locked,
preflight passed, cautions told.

Whatever can be refused is refused here, before anything is measured. May import everything of sitetest; nothing of it
is imported before a command needs it.
"""

import asyncio
import platform
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from sitetest.cli.connection import Connections
from sitetest.cli.far_ends import Engines, FarEnds, engines_for, reach
from sitetest.cli.observing import DeclaredRadio, declared_radio, observers_for
from sitetest.cli.readiness import PlannedApConfigs, preflight_of
from sitetest.cli.way_findings import cable_note
from sitetest.engines.known_servers import KnownServers
from sitetest.observe.beside import SystemObservers
from sitetest.observe.interface import interface_facts
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.site import Site
from sitetest.plan.soak_plan import SoakPlan
from sitetest.report.cautions import CONSENT
from sitetest.store.database import SOAK_TABLE_BEHIND_S, Store
from sitetest.store.reading import store_path
from sitetest.store.records import BaselineRecord
from sitetest.visit.clock import SystemClock
from sitetest.visit.path import SystemPath
from sitetest.visit.preflight import accepting, preflight

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class ServerWishes:
    """How the servers are to be reached, from the command line; None when left out. remember: keep the server's token
    for the next time."""

    server: str | None = None
    token: str | None = None
    internet_token: str | None = None
    remember: bool = True


@dataclass(frozen=True, slots=True)
class Ready:
    """Everything that a conductor is made of, open until the stack that it was opened on is closed. client: label of
    this laptop. baseline: of the wire to the LAN server; None when it was never measured."""

    client: str
    connections: Connections
    ends: FarEnds
    engines: Engines
    store: Store
    ap_configs: PlannedApConfigs
    path: SystemPath
    radio: DeclaredRadio
    observers: SystemObservers
    baseline: BaselineRecord | None


async def get_ready(
    stack: AsyncExitStack,
    site_dir: Path,
    site: Site,
    plan: Plan | SoakPlan,
    wishes: ServerWishes,
    *,
    measurements: int,
    create: bool,
    nobody_asked: bool,
    say: Say,
    clock: SystemClock,
) -> Ready:
    """Reach, open, ask and tell. measurements: of the plan, at most. create: make a store where there is none.
    nobody_asked: there is no person to switch AP configs by hand. say: takes notes and cautions.

    Raises SitetestError for all that must stop before anything is measured.
    """
    ap_configs = PlannedApConfigs.of(site, plan)
    known = KnownServers()
    connections = Connections(stack, known, wishes.token, wishes.internet_token)
    ends = await reach(connections, plan, site.server, wishes.server)
    client = platform.node() or "laptop"
    engines = engines_for(plan, ends, client)
    behind_s = SOAK_TABLE_BEHIND_S if isinstance(plan, SoakPlan) else 0.0
    store = stack.enter_context(Store.open(store_path(site_dir), create=create, now=clock.now, table_behind_s=behind_s))
    asked = preflight_of(
        site_dir,
        plan,
        ap_configs,
        measurements=measurements,
        ends=ends,
        engines=engines,
        agent=client,
        yes=nobody_asked,
    )
    checks = await preflight(asked)
    for check in checks:
        if not check.ok:
            say(f"Note: {check.detail}")
    if wishes.remember:
        for leg in accepting(checks):
            connections.worked(ends.servers[leg])
    for note in known.notes:
        say(f"Note: {note}")
    if ends.simulated is None:
        say(f"Caution: {CONSENT}")
        for line in await _cable_notes(ends):
            say(f"Note: {line}")
    path = SystemPath(ends.targets())
    observers = observers_for(ends)
    stack.push_async_callback(observers.close)
    return Ready(
        client=client,
        connections=connections,
        ends=ends,
        engines=engines,
        store=store,
        ap_configs=ap_configs,
        path=path,
        radio=declared_radio(site, plan, ends, path),
        observers=observers,
        baseline=_baseline(store, ends),
    )


def _baseline(store: Store, ends: FarEnds) -> BaselineRecord | None:
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
