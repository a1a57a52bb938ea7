"""What binds each case of a visit: the medians of its counted attempts, with the LAN leg beside the internet leg.

Pure. May import ceilings, report, store and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.ceilings.binding import Binding, binding_of_case
from sitetest.ceilings.path_ceilings import Limit
from sitetest.report.case_summary import CaseSummary, case_summaries
from sitetest.store.attempt_path import path_of
from sitetest.store.records import AttemptRecord, BaselineRecord
from sitetest.store.tidy import is_counted

INTERNET = "internet"


@dataclass(frozen=True, slots=True)
class CaseBinding:
    """One case at one location, and what binds it; of a case without a counted attempt that is not known."""

    case: CaseSummary
    binding: Binding


def case_bindings(attempts: Sequence[AttemptRecord], baseline: BaselineRecord | None = None) -> tuple[CaseBinding, ...]:
    """Return what binds each case, in the order of :func:`sitetest.report.case_summary.case_summaries`.

    baseline: of the wire to the server of the LAN leg; None when it was never measured.
    """
    summaries = case_summaries(attempts)
    return tuple(CaseBinding(case, _binding(case, attempts, summaries, baseline)) for case in summaries)


def _binding(
    case: CaseSummary,
    attempts: Sequence[AttemptRecord],
    summaries: Sequence[CaseSummary],
    baseline: BaselineRecord | None,
) -> Binding:
    counted = [path_of(record, baseline) for record in attempts if case.has(record) and is_counted(record)]
    if not counted:
        return Binding(Limit.NOT_KNOWN, "Not known: no attempt of this case counts.")
    return binding_of_case(counted, _lan_mbps(case, summaries))


def _lan_mbps(case: CaseSummary, summaries: Sequence[CaseSummary]) -> float | None:
    """Return what the same case reaches on the LAN leg, with the same engine if that was measured."""
    if case.leg != INTERNET:
        return None
    beside = [
        other
        for other in summaries
        if other.leg != INTERNET
        and other.typical_mbps is not None
        and (other.location, other.ap_config, other.direction) == (case.location, case.ap_config, case.direction)
    ]
    beside.sort(key=lambda other: other.engine != case.engine)
    return beside[0].typical_mbps if beside else None
