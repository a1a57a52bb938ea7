"""What binds an attempt, written into its record before it is kept. Pure.

    record = finished(...)                             # with everything that the observers saw
    record = with_binding(record, result, baseline)

May import ceilings, engines.base, store.attempt_path, store.records and the standard library only.
"""

from dataclasses import replace

from sitetest.ceilings.binding import binding_of
from sitetest.ceilings.path_figures import PathFigures
from sitetest.engines.base import TransferResult
from sitetest.store.attempt_path import path_of
from sitetest.store.records import AttemptRecord, BaselineRecord, Status


def path_figures(record: AttemptRecord, result: TransferResult, baseline: BaselineRecord | None = None) -> PathFigures:
    """Return the figures of the path of an attempt that has just ended.

    record: as it will be kept, seconds and the observers' figures included. baseline: of the wire to the same server;
    None when it was never measured.
    """
    return replace(path_of(record, baseline), window_bytes=result.receive_window_bytes)


def with_binding(
    record: AttemptRecord, result: TransferResult, baseline: BaselineRecord | None = None
) -> AttemptRecord:
    """Return the record with ``ceiling_mbps``, ``ceiling_by``, ``binding`` and ``binding_figures`` filled in.

    Of an attempt that is not ok nothing is said to bind it: it did not measure its case, or it failed.
    """
    if record.status is not Status.OK:
        return record
    binding = binding_of(path_figures(record, result, baseline))
    return replace(
        record,
        ceiling_mbps=binding.ceiling_mbps,
        ceiling_by=None if binding.ceiling_by is None else binding.ceiling_by.value,
        binding=binding.limit.value,
        binding_figures=binding.figures,
    )
