"""The examination behind ``sitetest check``: as a run would begin, but nothing is measured and nothing is kept
but a token that worked. May import everything of sitetest."""

import asyncio
import platform
from collections.abc import Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from sitetest.cli.connection import Connections
from sitetest.cli.far_ends import FarEnds, engines_for, reach
from sitetest.cli.planned_visit import plan_visit
from sitetest.cli.readiness import PlannedApConfigs, preflight_of
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest.engines.known_servers import KnownServers
from sitetest.errors import Exit, ServerError
from sitetest.observe.linux_interface import is_wifi
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.loading import load_site
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.visit.path import SystemPath
from sitetest.visit.preflight import Check, accepting, examine
from sitetest_wire.words import EngineName


@dataclass(frozen=True, slots=True)
class Examined:
    """Every answer, in the order in which it was asked."""

    checks: tuple[Check, ...]

    @property
    def exit_code(self) -> Exit:
        """That of the first answer that would stop a run; 0 when none would."""
        return next((check.stops.exit_code for check in self.checks if check.stops is not None), Exit.DONE)


def examine_site(
    site_dir: Path,
    *,
    profile: str | None,
    server: str | None,
    token: str | None,
    internet_token: str | None,
    ap_configs: Sequence[str] | None,
    engine: str | None,
) -> Examined:
    """Examine a site. profile: None checks the wired server with the http engine. Raises UsageError for the files."""
    site = load_site(site_dir)
    if profile is None:
        plan = _smallest_plan(site, engine)
    else:
        plan = plan_visit(site_dir, profile, ap_configs, engine, seed=0).plan
    return asyncio.run(
        _examine(
            site_dir,
            site,
            plan,
            server=server,
            tokens=(token, internet_token),
            asked_for_profile=profile is not None,
        )
    )


async def _examine(
    site_dir: Path,
    site: Site,
    plan: Plan,
    *,
    server: str | None,
    tokens: tuple[str | None, str | None],
    asked_for_profile: bool,
) -> Examined:
    files = Check("site files", True, f"{site.name}: {len(site.ap_configs)} AP configs")
    async with AsyncExitStack() as stack:
        known = KnownServers()
        connections = Connections(stack, known, *tokens)
        try:
            ends = await reach(connections, plan, site.server, server)
        except ServerError as problem:
            return Examined((files, Check("test server", False, problem.message, problem.next_step, problem)))
        agent = platform.node() or "laptop"
        engines = engines_for(plan, ends, agent)
        ap_configs = PlannedApConfigs.of(site, plan)
        checks = await examine(
            preflight_of(site_dir, plan, ap_configs, ends=ends, engines=engines, agent=agent, yes=False)
        )
        checks += await _ways(ends)
        if ends.simulated is not None:
            checks.append(Check("simulated", False, ends.simulated))
        if not asked_for_profile:
            checks += _other_engine(ends, agent)
        for leg in accepting(checks):
            connections.worked(ends.servers[leg])
        notes = [Check("remembered servers", False, note) for note in known.notes]
    return Examined((files, *checks, *notes))


def _smallest_plan(site: Site, engine: str | None) -> Plan:
    tables = {"name": "check", "location": "here", "matrix": {"engines": [EngineName.HTTP.value]}}
    profile = Profile.model_validate(tables)
    return make_plan(site, profile, seed=0, ap_configs=site.ap_config_names[:1], engine=engine)


async def _ways(ends: FarEnds) -> list[Check]:
    """Say over which interface each far end is reached: a person at a desk may have forgotten the cable."""
    targets = ends.targets()
    path = SystemPath(targets)
    checks = []
    for leg in targets:
        route = await path.route(leg)
        if route is None:
            continue
        interface = route.interface or "an unknown interface"
        kind = " (Wi-Fi)" if route.interface and is_wifi(route.interface) else ""
        checks.append(Check(f"way to the {leg} server", True, f"over {interface}{kind}, from {route.local_address}"))
    return checks


def _other_engine(ends: FarEnds, agent: str) -> list[Check]:
    """Say whether iperf3 could be used; that it cannot is no fault where nothing has asked for it."""
    end = ends.servers.get(Leg.LAN)
    if end is None or end.identity is None:
        return []
    here = Iperf3Engine(end.api, agent).availability()
    there = end.identity.engines.get(EngineName.IPERF3)
    if here.usable and there is not None and there.usable:
        return [Check("engine iperf3", True, f"usable: {here.version} here, {there.version} at the server")]
    reason = here.reason if not here.usable else (there.reason if there is not None else None)
    return [Check("engine iperf3", True, f"not usable: {reason or 'the server does not offer it'}")]
