"""The data cap over a visit's internet legs: what has moved, what is left, and whether the next transfer still fits.

Payload bytes are counted as the receiver saw them, warm-up and failed attempts included. An attempt that was cut off
with the agent left no count; it is charged with what its direction usually moves: on the internet legs, or, before one
of those was valid, on the LAN (which is rarely the slower one). When neither was ever seen it is charged nothing. Pure.

May import plan, store.records, visit.retry, sitetest_wire and the standard library only.
"""

from collections.abc import Sequence
from statistics import median

from sitetest.plan.cases import Case, Leg
from sitetest.store.records import AttemptRecord, Status
from sitetest.visit.retry import case_of
from sitetest_wire.units import bytes_at

CUT_OFF = "agent_ended"
"""Code word of an attempt that ended with the agent; the record that `begin_attempt` announces carries it."""


def predicted_bytes(
    attempts: Sequence[AttemptRecord], case: Case, total_s: float, legs: Sequence[Leg] = (Leg.INTERNET,)
) -> int | None:
    """Return what the next transfer of an internet case will move, from the typical rate of the valid ones so far.

    legs: whose rate may stand for it, the best one first. None when no valid transfer of the direction has been seen on
    any of them: then nothing is known, and the cap alone rules.
    """
    for leg in legs:
        rates = [
            record.throughput_mbps
            for record in attempts
            if record.status is Status.OK
            and record.throughput_mbps
            and (record.leg, record.direction) == (leg, case.direction)
        ]
        if rates:
            return round(bytes_at(median(rates), total_s))
    return None


def left_bytes(cap_bytes: int, attempts: Sequence[AttemptRecord]) -> int:
    """Return what the internet legs may still move; never below 0."""
    left = cap_bytes
    for record in attempts:
        if record.leg != Leg.INTERNET:
            continue
        if record.reason.startswith(CUT_OFF):
            total_s = record.warm_up_s + record.duration_s
            left -= predicted_bytes(attempts, case_of(record), total_s, (Leg.INTERNET, Leg.LAN)) or 0
        else:
            left -= record.moved_bytes
    return max(left, 0)
