"""The retry rule: what an attempt leads to, given the attempts so far. Pure, and blind to which value is nicer.

    attempt was     leads to
    ok              accepted; labelled when the two-sided outlier rule says so, and an extra repeat earned where nothing
                    is compared (a comparison earns a whole quad instead, see `visit/stopping.py`)
    failed          accepted: a failure is a result
    invalid         tried again at once, at most twice; then the turn's measurement is given up
    interrupted     tried again; whoever stopped it decides when

Nothing is ever dropped or replaced: every attempt stays in the history, every ok value stays counted, and a case earns
at most two extra repeats a visit. Keeping the better of two tries would flatter the unsteadier AP config by about 5 %
(docs/method.md). Values enter only through the distance of their logarithms from the median, so that mirrored values
lead to the same decisions.

May import plan, stats.outliers, store.records and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.plan.cases import Case, Leg, Slot
from sitetest.stats.outliers import label_outliers
from sitetest.store.records import AttemptRecord, Flag, Status
from sitetest_wire.words import Direction, EngineName

INVALID_TRIES = 3
"""The first try and at most two more (docs/method.md)."""

EXTRA_REPEATS = 2
"""Most extra repeats that the outliers of one case may earn in a visit."""

OUTLIER = "outlier"
"""Name of the flag."""


@dataclass(frozen=True, slots=True)
class Accept:
    """The slot is settled; the attempt is its result, be it ok or failed. outliers: as for :class:`Extra`, only when
    the case has had all its extra repeats."""

    outliers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Again:
    """The slot is tried again, now. left: how many further tries are allowed after that one."""

    reason: str
    left: int


@dataclass(frozen=True, slots=True)
class GiveUp:
    """The slot lost its turn's measurement."""

    reason: str


@dataclass(frozen=True, slots=True)
class Extra:
    """The slot is settled, and its case earns an extra repeat. outliers: positions in the history that get the label in
    the light of this attempt, the attempt itself maybe among them."""

    reason: str
    outliers: tuple[int, ...]


Decision = Accept | Again | GiveUp | Extra


def case_of(record: AttemptRecord) -> Case:
    """Return the case that an attempt belongs to."""
    return Case(
        location=record.location,
        leg=Leg(record.leg),
        engine=EngineName(record.engine),
        ap_config=record.ap_config,
        direction=Direction(record.direction),
    )


def belongs(record: AttemptRecord, slot: Slot) -> bool:
    """Tell whether an attempt is a try at that slot."""
    return (record.turn, record.repeat) == (slot.turn, slot.repeat) and case_of(record) == slot.case


def is_outlier(record: AttemptRecord) -> bool:
    """Tell whether an attempt carries the label."""
    return any(flag.name == OUTLIER for flag in record.flags)


def extra_repeats(history: Sequence[AttemptRecord], case: Case) -> int:
    """Return how many extra repeats a case has earned: one for each labelled attempt, EXTRA_REPEATS at most."""
    return min(EXTRA_REPEATS, sum(is_outlier(record) and case_of(record) == case for record in history))


def settle(tries: Sequence[AttemptRecord]) -> Accept | Again | GiveUp | None:
    """Say where one slot stands after its tries so far, oldest first; None when there was none."""
    if not tries:
        return None
    last = tries[-1]
    if last.status in {Status.OK, Status.FAILED}:
        return Accept()
    invalid = sum(record.status is Status.INVALID for record in tries)
    if invalid >= INVALID_TRIES:
        return GiveUp(f"{invalid} tries did not measure this case; the last one: {last.reason}")
    return Again(last.reason, left=INVALID_TRIES - 1 - invalid)


def decide(history: Sequence[AttemptRecord], slot: Slot, most_extra: int = EXTRA_REPEATS) -> Decision | None:
    """Say what the latest attempt at ``slot`` leads to. most_extra: extra repeats that a case may earn.

    history: every attempt of the visit so far, oldest first, labels included; the latest one at the slot not yet
    labelled. None when the slot was never tried.
    """
    standing = settle([record for record in history if belongs(record, slot)])
    if not isinstance(standing, Accept):
        return standing
    outliers = new_outliers(history, slot.case)
    if not outliers or extra_repeats(history, slot.case) >= most_extra:
        return Accept(outliers)
    return Extra("an outlier is labelled, kept and counted", outliers)


def new_outliers(history: Sequence[AttemptRecord], case: Case) -> tuple[int, ...]:
    """Return the positions in ``history`` of values of a case that deserve the label and do not carry it yet."""
    counted = [
        (index, record.throughput_mbps)
        for index, record in enumerate(history)
        if record.status is Status.OK and record.throughput_mbps and case_of(record) == case
    ]
    labels = label_outliers([value for _, value in counted])
    return tuple(counted[place][0] for place in labels.labelled if not is_outlier(history[counted[place][0]]))


def outlier_flag(history: Sequence[AttemptRecord], position: int) -> Flag:
    """Word the label of the attempt at ``position``, which :func:`new_outliers` named."""
    record = history[position]
    values = [
        other.throughput_mbps
        for other in history
        if other.status is Status.OK and other.throughput_mbps and case_of(other) == case_of(record)
    ]
    labels = label_outliers(values)
    reason = (
        f"{record.throughput_mbps:.1f} Mbit/s is more than a factor {labels.limit_factor:.2f} away from the median "
        f"{labels.median_mbps:.1f} Mbit/s of {len(values)} valid values"
    )
    return Flag(OUTLIER, reason, "note")
