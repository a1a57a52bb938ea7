"""From a site's folder to :class:`~sitetest.report.page.known.Known`: everything is read once, and judged by the
functions that the commands use.

May import plan, comparing, nights, report, store, errors and the standard library only; pandas comes with it.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sitetest.comparing.campaign import CampaignResult, compare
from sitetest.comparing.pairing import Question
from sitetest.comparing.planned_rules import PLANNED_FACTOR
from sitetest.comparing.site_data import table_of
from sitetest.errors import SitetestError, UsageError
from sitetest.nights.night import read_night, soaks
from sitetest.nights.summary import summarise
from sitetest.plan.loading import load_site
from sitetest.plan.self_test import is_self_test
from sitetest.plan.site import Requirement, Site
from sitetest.report.case_binding import CaseBinding, case_bindings
from sitetest.report.page.known import Asked, Known, Source
from sitetest.report.requirement_check import RequirementCheck, requirement_checks
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import AttemptRecord, BaselineRecord, TurnRecord, VisitKind
from sitetest.store.tidy import Facts, is_counted


def gather(site_dir: Path, asked: Asked) -> Known:
    """Read a site. Raises UsageError when nothing was measured there, StoreError as the store does."""
    path = store_path(site_dir)
    if not path.is_file():
        raise UsageError(f"There are no results yet: {path} does not exist.", "Measure first with `sitetest run`.")
    notes: list[str] = []
    site = _site(site_dir, notes)
    source = Source(path, _sha256(path), path.stat().st_size)
    with StoreReader.read_only(path) as store:
        visits = [visit for visit in store.visits() if not is_self_test(visit.profile)]
        facts = tuple(one for one in store.facts() if not is_self_test(one.visit.profile))
        if not facts:
            raise UsageError(f"{path} holds no attempt yet.", "Measure first with `sitetest run`.")
        turns = {visit.visit_id: tuple(store.turns(visit.visit_id)) for visit in visits}
        baselines = tuple(store.baselines())
        nights = tuple(summarise(read_night(store, visit)) for visit in soaks(visits))
        measured = _with_seconds(store, facts)
        closely = (store.attempt(asked.attempt),) if asked.attempt is not None else _middle_ones(measured)
    simulated = [visit.simulated for visit in visits if visit.simulated]
    return Known(
        source=source,
        site=site,
        facts=facts,
        comparison=_comparison(facts, asked, str(path), notes),
        bindings=_bindings(measured, baselines),
        closely=closely,
        checks=_checks(facts, turns, () if site is None else site.requirements),
        nights=nights,
        simulated="; ".join(dict.fromkeys(simulated)) or None,
        notes=tuple(notes),
    )


def ap_configs_of(facts: Sequence[Facts]) -> tuple[str, ...]:
    """Return the AP configs that were measured, in the order in which they first were."""
    return tuple(dict.fromkeys(one.attempt.ap_config for one in facts))


def _site(site_dir: Path, notes: list[str]) -> Site | None:
    try:
        return load_site(site_dir)
    except SitetestError as problem:
        notes.append(f"profiles/site.toml could not be read, so that requirements and costs are missing: {problem}")
        return None


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _with_seconds(store: StoreReader, facts: Sequence[Facts]) -> tuple[AttemptRecord, ...]:
    """Return the attempts of runs with their seconds: how steady they were is part of what binds a case."""
    return tuple(
        replace(one.attempt, seconds=tuple(store.seconds(one.attempt.test_id)))
        for one in facts
        if one.visit.kind is VisitKind.RUN
    )


def _middle_ones(attempts: Sequence[AttemptRecord]) -> tuple[AttemptRecord, ...]:
    """Return the counted attempt of each case that has as many faster as slower ones."""
    cases: dict[tuple[str, ...], list[AttemptRecord]] = {}
    for one in attempts:
        if is_counted(one) and one.throughput_mbps and one.seconds:
            cases.setdefault((one.location, one.direction, one.leg, one.engine, one.ap_config), []).append(one)
    return tuple(sorted(own, key=lambda one: one.throughput_mbps or 0.0)[len(own) // 2] for own in cases.values())


def _comparison(facts: Sequence[Facts], asked: Asked, source: str, notes: list[str]) -> CampaignResult | None:
    """Judge runs where there are any, soaks otherwise: the turns of the two are not pooled."""
    kinds = {one.visit.kind for one in facts}
    kind = VisitKind.RUN if VisitKind.RUN in kinds else VisitKind.SOAK
    chosen = [one for one in facts if one.visit.kind is kind]
    names = asked.names or (ap_configs_of(chosen) if asked.factor == PLANNED_FACTOR else ())
    if len(names) < 2:
        return None
    try:
        return compare(table_of(chosen, source), Question(asked.factor, names))
    except UsageError as problem:
        notes.append(f"No comparison could be made: {problem}")
        return None


def _bindings(attempts: Sequence[AttemptRecord], baselines: Sequence[BaselineRecord]) -> tuple[CaseBinding, ...]:
    """Say what binds each case; the wire's newest baseline to the server that most attempts went to."""
    servers = [record.server for record in attempts if record.leg == "lan"]
    to_it = [one for one in baselines if servers and one.server == max(set(servers), key=servers.count)]
    return case_bindings(attempts, to_it[-1] if to_it else None)


def _checks(
    facts: Sequence[Facts], turns: dict[str, tuple[TurnRecord, ...]], requirements: Sequence[Requirement]
) -> tuple[RequirementCheck, ...]:
    """Hold the newest run at each location against what is needed there."""
    newest: dict[str, str] = {}
    for one in facts:
        if one.visit.kind is VisitKind.RUN:
            newest[one.attempt.location] = one.visit.visit_id
    checks: list[RequirementCheck] = []
    for visit_id in dict.fromkeys(newest.values()):
        attempts = [one.attempt for one in facts if one.visit.visit_id == visit_id]
        checks += requirement_checks(requirements, attempts, turns.get(visit_id, ()))
    return tuple(checks)
