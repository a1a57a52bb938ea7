"""The examination behind ``sitetest check``: as a run would begin, but nothing is kept but a token that worked and,
where it was asked for, the wired baseline. May import everything of sitetest.
"""

import asyncio
import platform
import secrets
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from sitetest.cli.connection import Connections
from sitetest.cli.earlier_results import earlier_finding
from sitetest.cli.expected_finding import expected_finding
from sitetest.cli.far_ends import FarEnds, engines_for, reach
from sitetest.cli.idle_round_trips import idle_round_trips
from sitetest.cli.laptop_findings import clock_finding, power_finding, quiet_finding
from sitetest.cli.laptop_reading import Laptop, MakeReader, default_route, own_reader, read_laptop
from sitetest.cli.latency_finding import latency_finding
from sitetest.cli.planned_visit import plan_visit
from sitetest.cli.radio_findings import radio_findings
from sitetest.cli.readiness import PlannedApConfigs, preflight_of
from sitetest.cli.server_clock import server_time
from sitetest.cli.way_findings import way_findings
from sitetest.engines.base import Engine
from sitetest.engines.known_servers import KnownServers
from sitetest.errors import EngineUnusable, Exit, ServerError, UsageError
from sitetest.observe.interface import InterfaceFacts, InterfaceKind
from sitetest.observe.link.place_names import own_labels
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.loading import load_site
from sitetest.plan.order import make_plan
from sitetest.plan.profile import Profile
from sitetest.plan.site import AccessPoint, ApConfig, Site
from sitetest.report.baseline_text import baseline_lines
from sitetest.report.cautions import CONSENT
from sitetest.store.database import Store
from sitetest.store.reading import store_path
from sitetest.store.records import BaselineRecord
from sitetest.visit.diagnosis import Route
from sitetest.visit.path import SystemPath
from sitetest.visit.preflight import Check, accepting, apply_checks, examine, local_checks
from sitetest.visit.wired_baseline import DURATION_S, REPEATS, STREAMS, measure_wire, why_not_wired
from sitetest_wire.words import EngineName

Say = Callable[[str], None]

USUAL_MTU = 1500
"""Of Ethernet (IEEE 802.3), where the interface does not tell its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What the command line asks. profile: None asks what needs no profile, and both engines. baseline: measure the
    wire. wired: the person says that the interface is a wire."""

    site_dir: Path
    profile: str | None = None
    server: str | None = None
    token: str | None = None
    internet_token: str | None = None
    ap_configs: Sequence[str] | None = None
    engine: str | None = None
    baseline: bool = False
    wired: bool = False


@dataclass(frozen=True, slots=True)
class Examined:
    """Every answer, in the order in which it was asked. baseline: what the wire gave; None when it was not measured.
    baseline_lines: the same in words. mtu: of the interface, in bytes of an IP packet."""

    checks: tuple[Check, ...]
    baseline: BaselineRecord | None = None
    baseline_lines: tuple[str, ...] = ()
    mtu: int = USUAL_MTU

    @property
    def exit_code(self) -> Exit:
        """That of the first answer that would stop a run; 0 when none would."""
        stops = next((check.stops.exit_code for check in self.checks if check.stops is not None), None)
        if stops is not None:
            return stops
        measured = self.baseline
        if measured is not None and None in (measured.download_mbps, measured.upload_mbps):
            return Exit.INCOMPLETE
        return Exit.DONE


def examine_site(question: Question, say: Say, make_reader: MakeReader = own_reader) -> Examined:
    """Examine a site. say: told what takes long. Blocks for some seconds; a minute with a baseline.

    Raises UsageError for the files, and for a baseline where the laptop is not on a wire.
    """
    site = load_site(question.site_dir)
    if question.profile is None:
        plan = _smallest_plan(site, question.engine)
    else:
        plan = plan_visit(question.site_dir, question.profile, question.ap_configs, question.engine, seed=0).plan
    return asyncio.run(_Examination(question, site, plan, say, make_reader).run())


def _smallest_plan(site: Site, engine: str | None) -> Plan:
    engines = [EngineName.HTTP.value, EngineName.IPERF3.value]
    tables = {"name": "check", "location": "here", "matrix": {"engines": engines}}
    return make_plan(site, Profile.model_validate(tables), seed=0, ap_configs=site.ap_config_names[:1], engine=engine)


class _Examination:
    """One examination."""

    def __init__(self, question: Question, site: Site, plan: Plan, say: Say, make_reader: MakeReader) -> None:
        self._question = question
        self._site = site
        self._plan = plan
        self._say = say
        self._make_reader = make_reader
        self._agent = platform.node() or "laptop"
        self._ap_configs = PlannedApConfigs.of(site, plan)
        self._facts: dict[str, InterfaceFacts] = {}

    async def run(self) -> Examined:
        site = self._site
        first = [
            Check("site files", True, f"{site.name}: {len(site.ap_configs)} AP configs"),
            earlier_finding(self._question.site_dir),
        ]
        async with AsyncExitStack() as stack:
            known = KnownServers()
            connections = Connections(stack, known, self._question.token, self._question.internet_token)
            try:
                ends = await reach(connections, self._plan, site.server, self._question.server)
            except ServerError as problem:
                gone = Check("test server", False, problem.message, problem.next_step, problem)
                return Examined((*first, *self._local(), *await self._without_server(), gone))
            checks = await self._with_server(ends, connections)
            notes = [Check("remembered servers", False, note) for note in known.notes]
            examined = Examined((*first, *checks, *notes))
            if self._question.baseline and examined.exit_code is Exit.DONE:
                return await self._with_baseline(examined, ends)
        return examined

    # --- what is asked ---------------------------------------------------------------------------------------------

    def _local(self) -> list[Check]:
        nobody = FarEnds({})
        asked = preflight_of(
            self._question.site_dir, self._plan, self._ap_configs, measurements=len(self._plan.slots), ends=nobody,
            engines={}, agent=self._agent, yes=False,
        )  # fmt: skip
        return self._for_no_profile(local_checks(asked))

    async def _with_server(self, ends: FarEnds, connections: Connections) -> list[Check]:
        engines = engines_for(self._plan, ends, self._agent)
        asked = preflight_of(
            self._question.site_dir, self._plan, self._ap_configs, measurements=len(self._plan.slots), ends=ends,
            engines=engines, agent=self._agent, yes=False,
        )  # fmt: skip
        checks = self._for_no_profile(await examine(asked))
        accepted = accepting(checks)
        for leg in accepted:
            connections.worked(ends.servers[leg])
        checks += await self._laptop(await _routes(ends))
        lan = ends.servers.get(Leg.LAN)
        if lan is not None:
            checks.append(clock_finding(datetime.now(UTC), await server_time(lan.api)))
            if Leg.LAN in accepted:
                checks.append(latency_finding(await idle_round_trips(lan.api, self._agent)))
        if ends.simulated is not None:
            checks.append(Check("simulated", False, ends.simulated))
        return checks

    async def _without_server(self) -> list[Check]:
        route = default_route()
        return await self._laptop({} if route is None else {"way out of here": route})

    async def _laptop(self, routes: dict[str, Route]) -> list[Check]:
        """What the laptop says of itself, and of each interface that a route names."""
        checks: list[Check] = []
        read: dict[str | None, Laptop] = {}
        for name, route in routes.items():
            if route.interface not in read:
                laptop = read[route.interface] = await read_laptop(route.interface, self._make_reader)
                if laptop.facts is not None:
                    self._facts[laptop.facts.name] = laptop.facts
            checks += way_findings(name, route, read[route.interface].facts, wire_wanted=self._question.baseline)
        for interface, laptop in read.items():
            if laptop.radio is not None:
                checks += radio_findings(laptop.radio)
                checks += expected_finding(self._expected(), laptop.radio.sample, own_labels())
            if laptop.quiet is not None and interface is not None:
                checks.append(quiet_finding(interface, laptop.quiet))
        one = next(iter(read.values()), None) or await read_laptop(None)
        return [*checks, power_finding(one.power)]

    def _expected(self) -> list[tuple[ApConfig, AccessPoint]]:
        """The AP configs that the link may be: those of the profile, or all of the site."""
        configs = self._site.ap_configs if self._question.profile is None else self._ap_configs.configs
        return [(config, self._site.access_point_of(config.name)) for config in configs]

    def _for_no_profile(self, checks: list[Check]) -> list[Check]:
        """Without a profile nobody has asked for an engine, so one that works is enough; and the apply commands of all
        AP configs are looked at."""
        if self._question.profile is not None:
            return checks
        if self._question.engine is None:
            missing = {check.engine for check in checks if isinstance(check.stops, EngineUnusable)}
            if {check.engine for check in checks if check.engine is not None} - missing:
                checks = [
                    replace(check, stops=None) if isinstance(check.stops, EngineUnusable) else check for check in checks
                ]
        about_switching = ("AP configs can be applied", "apply command of ")
        others = [check for check in checks if not check.name.startswith(about_switching)]
        return [*apply_checks({config.name: config.apply for config in self._site.ap_configs if config.apply}), *others]

    # --- the wire --------------------------------------------------------------------------------------------------

    async def _with_baseline(self, examined: Examined, ends: FarEnds) -> Examined:
        route = await SystemPath(ends.targets()).route(Leg.LAN)
        facts = None if route is None else self._facts.get(route.interface or "")
        refusal = _no_wire(facts, said_wired=self._question.wired)
        if refusal is not None:
            return replace(examined, checks=(*examined.checks, refusal))
        assert facts is not None
        name, engine = self._best_engine(ends)
        end = ends.servers[Leg.LAN]
        with Store.open(store_path(self._question.site_dir), create=True) as store:
            self._say(f"Caution: {CONSENT}")
            self._say(f"Measuring the wire over {facts.name}, {REPEATS} times each way ...")
            measured = await measure_wire(engine, self._say)
            baseline = BaselineRecord(
                baseline_id=secrets.token_hex(8),
                measured_at=datetime.now(UTC),
                client=self._agent,
                server=end.label,
                interface=facts.name,
                link_mbps=facts.speed_mbps,
                server_link_mbps=measured.server_link_mbps,
                engine=name,
                streams=STREAMS,
                duration_s=DURATION_S,
                download_mbps=measured.download_mbps,
                upload_mbps=measured.upload_mbps,
            )
            if measured.download_mbps is not None or measured.upload_mbps is not None:
                store.add_baseline(baseline)
        for problem in measured.problems:
            self._say(f"Note: {problem}")
        mtu = facts.mtu or USUAL_MTU
        lines = baseline_lines(baseline, self._site.name, mtu)
        return replace(examined, baseline=baseline, baseline_lines=tuple(lines), mtu=mtu)

    def _best_engine(self, ends: FarEnds) -> tuple[EngineName, Engine]:
        """The engine that was asked for; otherwise iperf3 where both ends have it, which costs the laptop less."""
        end = ends.servers[Leg.LAN]
        offers = {} if end.identity is None else end.identity.engines
        engines = engines_for(self._plan, ends, self._agent)
        usable = [
            (name, engine)
            for (leg, name), engine in engines.items()
            if leg is Leg.LAN and engine.availability().usable and name in offers and offers[name].usable
        ]
        return next((found for found in usable if found[0] is EngineName.IPERF3), usable[0])


def _no_wire(facts: InterfaceFacts | None, *, said_wired: bool) -> Check | None:
    """Why there can be no wired baseline, as an answer that stops; None when there can."""
    if facts is None:
        why_not: str | None = "which interface leads to the server is not known"
    else:
        why_not = why_not_wired(facts.name, facts.kind, said_wired=said_wired)
    if why_not is None:
        return None
    certain = facts is not None and facts.kind in (InterfaceKind.WIFI, InterfaceKind.TUNNEL)
    stop = UsageError(
        f"The wire was not measured: {why_not}.",
        "Connect the laptop by cable to the same network and switch its Wi-Fi off"
        + ("." if certain else ", or say with --wired that this is the wire."),
    )
    return Check("wired baseline", False, stop.message, stop.next_step, stop)


async def _routes(ends: FarEnds) -> dict[str, Route]:
    """Which way each far end is reached."""
    targets = ends.targets()
    path = SystemPath(targets)
    found = {f"way to the {leg} server": await path.route(leg) for leg in targets}
    return {name: route for name, route in found.items() if route is not None}
