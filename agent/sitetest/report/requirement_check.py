"""The requirements of a location against what was measured there.

Each requirement is held against every case of its direction: a leg, an engine and an AP config at a time. Turns that no
fresh association began are counted with the one before them.
Pure. May import comparing.went_on, plan.site, stats, report, store and the standard library only.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import fsum, isfinite, log
from typing import Any

from sitetest.comparing.went_on import whole_turn_numbers
from sitetest.plan.site import EVERYWHERE, Requirement
from sitetest.report.case_summary import CaseSummary, case_summaries
from sitetest.stats.requirements import Finding, at_least, at_most
from sitetest.stats.turns import CaseTurns, Outcome, TurnAttempt, case_from_attempts
from sitetest.store.records import AttemptRecord, Status, TurnRecord
from sitetest.store.tidy import is_counted

THROUGHPUT = "throughput_mbps"
LOADED_RTT = "rtt_loaded_p95_ms"


@dataclass(frozen=True, slots=True)
class RequirementCheck:
    """One figure of one requirement against one case. what: the column that it is about. wanted: in its unit: at least
    for throughput, at most for the round-trip time."""

    requirement: Requirement
    case: CaseSummary
    what: str
    wanted: float
    finding: Finding

    def to_json(self) -> dict[str, Any]:
        """Return the check as a JSON-ready mapping."""
        finding = self.finding
        return {
            "location": self.case.location,
            "ap_config": self.case.ap_config,
            "direction": self.case.direction,
            "leg": self.case.leg,
            "engine": self.case.engine,
            "figure": self.what,
            "at_least" if self.what == THROUGHPUT else "at_most": self.wanted,
            "fulfilment": finding.fulfilment.value,
            "turns": finding.n,
            "typical": finding.typical,
            "low": finding.low,
            "high": finding.high,
            "why": finding.why,
            "turns_needed": finding.turns_needed,
            "source": self.requirement.source,
        }


def requirements_at(requirements: Sequence[Requirement], location: str) -> tuple[Requirement, ...]:
    """Return the requirements that hold at a location, in the order of the file."""
    return tuple(one for one in requirements if one.location in {EVERYWHERE, location})


def requirement_checks(
    requirements: Sequence[Requirement], attempts: Sequence[AttemptRecord], turns: Sequence[TurnRecord] = ()
) -> tuple[RequirementCheck, ...]:
    """Check every requirement against every case that it is about.

    attempts: of one visit. turns: of that visit as they began; those that are not there count as turns of their own.
    """
    whole = whole_turn_numbers(turns)
    checks = []
    for case in case_summaries(attempts):
        records = [record for record in attempts if case.has(record)]
        measured = _turns_of(records, whole)
        delays = _delays(records, whole)
        for requirement in requirements_at(requirements, case.location):
            for what, wanted in _asked(requirement, case.direction):
                finding = at_least(wanted, measured) if what == THROUGHPUT else at_most(wanted, delays, measured)
                checks.append(RequirementCheck(requirement, case, what, wanted, finding))
    return tuple(checks)


def _asked(requirement: Requirement, direction: str) -> Iterator[tuple[str, float]]:
    least = requirement.throughput_down_mbps if direction == "download" else requirement.throughput_up_mbps
    if least is not None:
        yield THROUGHPUT, least
    if requirement.loaded_rtt_ms is not None:
        yield LOADED_RTT, requirement.loaded_rtt_ms


def _turns_of(records: Sequence[AttemptRecord], whole: Mapping[int, int]) -> CaseTurns:
    return case_from_attempts(
        TurnAttempt(
            whole.get(record.turn, record.turn),
            _outcome(record),
            record.throughput_mbps,
            record.reason.partition(":")[0],
        )
        for record in records
    )


def _outcome(record: AttemptRecord) -> Outcome:
    if record.status is Status.FAILED:
        return Outcome.FAILED
    return Outcome.VALID if is_counted(record) and record.throughput_mbps else Outcome.INVALID


def _delays(records: Sequence[AttemptRecord], whole: Mapping[int, int]) -> list[float]:
    """Return ln(ms) of each turn: the mean over its counted attempts. A turn in which one has no figure has none."""
    turns: defaultdict[int, list[float | None]] = defaultdict(list)
    for record in records:
        if _outcome(record) is Outcome.VALID:
            turns[whole.get(record.turn, record.turn)].append(record.rtt_loaded_p95_ms)
    logs = []
    for values in turns.values():
        known = [log(value) for value in values if value is not None and value > 0 and isfinite(value)]
        if len(known) == len(values):
            logs.append(fsum(known) / len(known))
    return logs
