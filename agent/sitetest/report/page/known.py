"""Everything that a document is made from, gathered once: kept facts and what the same functions as `compare` say.

Promise: no figure of the document is worked out anywhere else. May import plan.site, comparing, nights, report, store
and the standard library only.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sitetest.comparing.campaign import CampaignResult
from sitetest.nights.summary import NightSummary
from sitetest.plan.site import Site
from sitetest.report.case_binding import CaseBinding
from sitetest.report.requirement_check import RequirementCheck
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import Facts


@dataclass(frozen=True, slots=True)
class Source:
    """Where facts come from. sha256: of the file as it was read, in hexadecimal digits."""

    path: Path
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Known:
    """One site.

    site: None where there is no readable ``site.toml``. facts: every attempt, runs and soaks, in order. comparison: of
    the AP configs, over all runs; None when there is one AP config only. bindings: what binds each case. closely:
    attempts, with their seconds, that are shown second by second. checks: requirements. nights: of every soak.
    simulated: what the servers said they simulate, None for a real site. notes: what could not be read or said, in
    sentences.
    """

    source: Source
    site: Site | None
    facts: tuple[Facts, ...]
    comparison: CampaignResult | None = None
    bindings: tuple[CaseBinding, ...] = ()
    closely: tuple[AttemptRecord, ...] = ()
    checks: tuple[RequirementCheck, ...] = ()
    nights: tuple[NightSummary, ...] = ()
    simulated: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line said. factor, names: the question, usually ``ap_config`` and all of its values, the first
    of them the reference. made_at: when the document is made. command: that makes it again. before: an earlier site or
    export to be put beside; None without one. attempt: the one to show second by second; None for the middle one of
    each case."""

    factor: str
    names: tuple[str, ...]
    made_at: datetime
    command: str
    sitetest_version: str
    question: str = ""
    before: Path | None = None
    attempt: str | None = None
