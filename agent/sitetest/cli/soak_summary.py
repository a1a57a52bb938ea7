"""``sitetest soak --summary``: what kept nights have shown. Reads the store and starts nothing.

The last soak is told in full; the time of day over all soaks of its profile at its location. May import nights, plan,
report, store, errors and the standard library only; numpy and scipy come with it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sitetest.cli.results_folder import require_results
from sitetest.errors import StoreDamaged, UsageError
from sitetest.nights.case_night import CaseKey
from sitetest.nights.document import nights_document
from sitetest.nights.night import read_night, soaks
from sitetest.nights.summary import DEFAULT_MARGIN, NightSummary, summarise, time_of_day
from sitetest.plan.soak_plan_json import soak_plan_from_json
from sitetest.stats.time_of_day import TimeOfDay
from sitetest.store.reading import StoreReader
from sitetest.store.records import VisitRecord


@dataclass(frozen=True, slots=True)
class Nights:
    """Summaries of soaks of one profile at one location, in the order in which they began; at least one."""

    summaries: tuple[NightSummary, ...]
    by_hour: Mapping[CaseKey, TimeOfDay]

    @property
    def last(self) -> NightSummary:
        """The latest."""
        return self.summaries[-1]

    def document(self) -> dict[str, Any]:
        """Every night as a JSON-ready mapping."""
        return nights_document(self.summaries, self.by_hour)


def kept_nights(site_dir: Path, profile: str | None) -> Nights:
    """Read and judge the soaks of a profile; None: of that of the last soak. Raises UsageError when there is none, and
    StoreError as the store does."""
    with StoreReader.read_only(require_results(site_dir)) as store:
        found = soaks(store.visits(), profile)
        if not found:
            of = "" if profile is None else f" of the profile {profile!r}"
            raise UsageError(
                f"No soak{of} has been kept here yet.", "Soak first: sitetest soak --profile NAME --for 9h"
            )
        alike = [one for one in found if (one.profile, one.location) == (found[-1].profile, found[-1].location)]
        summaries = tuple(_summary(store, visit) for visit in alike)
    return Nights(summaries, time_of_day(summaries))


def _summary(store: StoreReader, visit: VisitRecord) -> NightSummary:
    comparison = soak_plan_from_json(visit.plan).comparison
    try:
        night = read_night(store, visit)
    except ValueError as problem:
        raise StoreDamaged(f"{store.path}: {problem}") from problem
    return summarise(night, margin=DEFAULT_MARGIN if comparison is None else comparison.rules.margin)
