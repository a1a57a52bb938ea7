"""What became of each stream of a transfer, and what that makes of the transfer.

A transfer is measured over all the streams that were asked for, or not at all: one that does not come up, or that
breaks off, ends it. Pure. May import sitetest_wire and the standard library only.
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass

from sitetest.engines.base import Failure, FailureKind
from sitetest.engines.failure_translation import TransferProblem


@dataclass(slots=True)
class StreamReport:
    """One stream's own story; times are seconds since the start of the transfer, None until it happened.

    connected_s: the server took the request. first_byte_s: payload moved. stream_bytes: payload that this end counted
    (received by a download, handed to the kernel by an upload). failure: why it ended before it was told to.
    """

    number: int
    connected_s: float | None = None
    first_byte_s: float | None = None
    stream_bytes: int = 0
    failure: Failure | None = None

    @contextmanager
    def keeping_failure(self) -> Iterator[None]:
        """Keep a TransferProblem that leaves the block as this stream's failure."""
        try:
            yield
        except TransferProblem as problem:
            self.failure = problem.failure


def transfer_failure(reports: Sequence[StreamReport]) -> Failure | None:
    """Return what failed streams make of the transfer.

    None while all is well, and while a stream that failed to come up leaves others that may still do so or not: whether
    the whole server or only some streams are missing is told apart once each has come up or failed.
    """
    failed = [report for report in reports if report.failure is not None]
    if not failed:
        return None
    broken_off = [report.failure for report in failed if report.connected_s is not None]
    if broken_off:
        return broken_off[0]
    up = sum(report.connected_s is not None for report in reports)
    if up + len(failed) < len(reports):
        return None
    first = failed[0].failure
    if up == 0 or first is None:
        return first
    message = f"only {up} of {len(reports)} streams came up; {first.message}"
    return Failure(FailureKind.STREAMS_MISSING, message, first.errno)


def reports_as_text(reports: Sequence[StreamReport]) -> str:
    """Return the reports as JSON, to be kept beside the result."""
    return json.dumps({"streams": [asdict(report) for report in reports]})
