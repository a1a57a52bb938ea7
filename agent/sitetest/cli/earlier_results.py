"""What a site has measured before, and what of it was left unfinished.

May import plan, report, store, visit.agenda, errors and the standard library only.
"""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sitetest.errors import StoreError
from sitetest.plan.plan_json import plan_from_json
from sitetest.report.wording import count_text
from sitetest.store.reading import StoreReader, store_path
from sitetest.store.records import VisitKind, VisitRecord
from sitetest.visit.agenda import Agenda
from sitetest.visit.preflight import Check


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A visit that may be resumed. open_slots: measurements that are wanted still."""

    visit: VisitRecord
    open_slots: int

    def sentence(self) -> str:
        """Say which visit it is and what is left of it."""
        began = self.visit.started_at.astimezone().strftime("%Y-%m-%d %H:%M")
        left = count_text(self.open_slots, "measurement")
        return f"A visit of {self.visit.profile} at {self.visit.location}, begun {began}, is not finished: {left} left."


def resume_command(profile: str, site_dir: Path) -> str:
    """Return the command that goes on with the last visit of a profile."""
    return f"sitetest run --profile {profile} --resume" + ("" if site_dir == Path() else f" --site {site_dir}")


def soak_command(profile: str, site_dir: Path, option: str) -> str:
    """Return the command that does something with the last soak of a profile: ``--resume``, ``--summary``."""
    return f"sitetest soak --profile {profile} {option}" + ("" if site_dir == Path() else f" --site {site_dir}")


def compare_command(names: Sequence[str], site_dir: Path, where: str | None = None) -> str:
    """Return the command that compares AP configs. where: what attempts must have, COLUMN=VALUE."""
    command = ["sitetest", "compare", "--factor", "ap_config", *names]
    if where is not None:
        command += ["--where", where]
    return shlex.join(command if site_dir == Path() else [*command, "--site", str(site_dir)])


def has_soaks(site_dir: Path) -> bool:
    """Whether soaks were kept at a site: a run's turns are then chosen by what planned them. Raises StoreError."""
    path = store_path(site_dir)
    if not path.is_file():
        return False
    with StoreReader.read_only(path) as store:
        return any(visit.kind is VisitKind.SOAK for visit in store.visits())


def unfinished_visit(site_dir: Path, profile: str, location: str) -> Unfinished | None:
    """Return the last visit of a profile if it is unfinished; None where there is none. Raises StoreError."""
    path = store_path(site_dir)
    if not path.is_file():
        return None
    with StoreReader.read_only(path) as store:
        return _unfinished(store, profile, location)


def earlier_finding(site_dir: Path) -> Check:
    """Say how much the site has measured before, and how to go on with what is unfinished."""
    name = "results so far"
    path = store_path(site_dir)
    if not path.is_file():
        return Check(name, True, "none yet")
    try:
        with StoreReader.read_only(path) as store:
            visits = store.visits()
            pairs = dict.fromkeys((visit.profile, visit.location) for visit in visits)
            open_visits = [left for pair in pairs if (left := _unfinished(store, *pair)) is not None]
    except StoreError as problem:
        return Check(name, False, problem.message, problem.next_step, problem)
    told = count_text(len(visits), "visit")
    if not open_visits:
        return Check(name, True, told)
    sentences = " ".join(left.sentence() for left in open_visits)
    commands = " or ".join(resume_command(left.visit.profile, site_dir) for left in open_visits)
    return Check(name, True, f"{told}. {sentences}", f"To go on: {commands}")


def _unfinished(store: StoreReader, profile: str, location: str) -> Unfinished | None:
    visit = store.unfinished_visit(profile, location)
    if visit is None:
        return None
    agenda = Agenda(plan_from_json(visit.plan), store.attempts(visit.visit_id))
    return Unfinished(visit, agenda.open)
