"""From what a transfer gave to what is kept about it. Pure.

Bytes come from the receiver's samples alone. Round-trip times and retransmits of a second come from the sender's: each
end's window is cut on its own clock, and seconds of the same number are put side by side. That lines them up to within
about one round-trip time; the two clocks are never subtracted.

May import engines.base, store.records, sitetest_wire and the standard library only.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from sitetest.engines.base import TransferResult
from sitetest.engines.window import measuring_window, seconds_of
from sitetest.observe.observed import Observed
from sitetest.store.records import AttemptRecord, Flag, SecondRecord
from sitetest.visit.figures import figures
from sitetest.visit.validity import Judgement
from sitetest_wire.samples import Sample


def finished(
    begun: AttemptRecord,
    result: TransferResult,
    judgement: Judgement,
    wall_s: float,
    flags: Sequence[Flag] = (),
    *,
    observed: Observed | None = None,
) -> AttemptRecord:
    """Return the record that takes the place of the one announced at the attempt's begin.

    observed: None where nobody looked on. Figures of attempts that are not ok are kept as well: they are what was seen
    in ``window_s``, and ``status`` says that they are no result.
    """
    window = result.window
    return replace(
        begun,
        status=judgement.status,
        reason=judgement.reason,
        wall_s=wall_s,
        window_s=window.length_s if window else None,
        throughput_mbps=result.throughput_mbps,
        received_bytes=result.received_bytes,
        moved_bytes=result.moved_bytes,
        retransmits=result.retransmits,
        congestion_control=result.congestion_control,
        engine_version=result.engine_version,
        local_address=result.local_address,
        client_cpu_share=result.client_cpu_share,
        server_cpu_share=result.server_cpu_share,
        raw=result.raw,
        flags=(*judgement.flags, *flags),
        **figures(result, observed, second_records(result)).columns(),
    )


def second_records(result: TransferResult) -> tuple[SecondRecord, ...]:
    """Cut the measuring window of a transfer into seconds; empty without a window."""
    window = result.window
    if window is None:
        return ()
    spec = result.spec
    sender_window = (
        measuring_window(result.sender, spec.streams, spec.warm_up_s, spec.duration_s) if result.sender else None
    )
    records = []
    for second in seconds_of(result.receiver, window):
        rtt_ms: float | None = None
        retransmits: int | None = None
        if sender_window is not None:
            start_s = sender_window.start_s + second.index
            rtt_ms = _mean_rtt_ms(result.sender, start_s, start_s + second.length_s)
            retransmits = _retransmits(result.sender, start_s, start_s + second.length_s)
        records.append(
            SecondRecord(
                second=second.index,
                start_s=second.start_s,
                length_s=second.length_s,
                throughput_mbps=second.throughput_mbps,
                stream_bytes=second.stream_bytes,
                rtt_ms=rtt_ms,
                retransmits=retransmits,
            )
        )
    return tuple(records)


def _mean_rtt_ms(samples: Sequence[Sample], start_s: float, end_s: float) -> float | None:
    seen = [fmean(sample.rtt_ms) for sample in samples if sample.rtt_ms and start_s < sample.at_s <= end_s]
    return fmean(seen) if seen else None


def _retransmits(samples: Sequence[Sample], start_s: float, end_s: float) -> int | None:
    """Difference of the counts at the last sample up to each edge."""
    told = [sample for sample in samples if sample.retransmits is not None]
    if not told or told[-1].at_s <= start_s:
        return None
    before, after = (_count_at(told, edge_s) for edge_s in (start_s, end_s))
    return after - before


def _count_at(told: Sequence[Sample], at_s: float) -> int:
    place = bisect_right(told, at_s, key=lambda sample: sample.at_s)
    return (told[place - 1].retransmits or 0) if place else 0
