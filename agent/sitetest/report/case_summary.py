"""n, typical value and spread of each case: a description of what was measured, and no verdict.

The three figures are those of `stats/summary.py`. Invalid and interrupted attempts did not measure the case and are
only counted; a failed attempt is a result without a throughput and is shown as a count beside n.
Pure. May import report, stats, store and the standard library only.
"""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sitetest.report.advice import is_blemished
from sitetest.stats.summary import summarise
from sitetest.store.records import AttemptRecord, Status
from sitetest.store.tidy import is_counted


@dataclass(frozen=True, slots=True)
class CaseSummary:
    """One case at one location. n: attempts whose throughput counts. typical_mbps: their median; None when n is 0, as
    are lowest and highest. spread_pct: None when n is below 2. failed, invalid, interrupted: attempts that ended so.
    flagged: attempts that ended well and have something to look at again."""

    location: str
    ap_config: str
    direction: str
    leg: str
    engine: str
    n: int
    typical_mbps: float | None
    spread_pct: float | None
    lowest_mbps: float | None
    highest_mbps: float | None
    failed: int
    invalid: int
    interrupted: int
    flagged: int

    @property
    def key(self) -> tuple[str, str, str, str]:
        """Everything but the AP config: cases with the same key may be put side by side."""
        return (self.location, self.leg, self.engine, self.direction)

    def has(self, record: AttemptRecord) -> bool:
        """Tell whether an attempt belongs to the case."""
        return _key(record) == (self.location, self.ap_config, self.direction, self.leg, self.engine)

    def to_json(self) -> dict[str, Any]:
        """Return the summary as a JSON-ready mapping."""
        return asdict(self)


def case_summaries(attempts: Iterable[AttemptRecord]) -> tuple[CaseSummary, ...]:
    """Return a summary of each case, in the order in which the cases first come."""
    cases: dict[tuple[str, str, str, str, str], list[AttemptRecord]] = {}
    for record in attempts:
        cases.setdefault(_key(record), []).append(record)
    return tuple(_summary(records) for records in cases.values())


def _key(record: AttemptRecord) -> tuple[str, str, str, str, str]:
    return (record.location, record.ap_config, record.direction, record.leg, record.engine)


def _summary(records: Sequence[AttemptRecord]) -> CaseSummary:
    first = records[0]
    figures = [record.throughput_mbps for record in records if is_counted(record) and record.throughput_mbps]
    summary = summarise(figures)

    def ended(status: Status) -> int:
        return sum(record.status is status for record in records)

    return CaseSummary(
        location=first.location,
        ap_config=first.ap_config,
        direction=first.direction,
        leg=first.leg,
        engine=first.engine,
        n=summary.n,
        typical_mbps=summary.median_mbps,
        spread_pct=summary.spread_cv_pct,
        lowest_mbps=min(figures, default=None),
        highest_mbps=max(figures, default=None),
        failed=ended(Status.FAILED),
        invalid=ended(Status.INVALID),
        interrupted=ended(Status.INTERRUPTED),
        flagged=sum(record.status is Status.OK and is_blemished(record) for record in records),
    )
