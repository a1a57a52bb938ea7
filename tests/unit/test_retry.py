"""The retry rule as a table and as properties: bounded, complete, and blind to which value is nicer."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from bookshop_visit import attempt
from compared_visit import compared_plan
from hypothesis import given, settings
from hypothesis import strategies as st
from visit_fakes import basement_plan

from sitetest.plan.cases import Slot
from sitetest.store.records import AttemptRecord, Flag, Status
from sitetest.visit.agenda import Agenda, attempts_allowed
from sitetest.visit.retry import (
    EXTRA_REPEATS,
    INVALID_TRIES,
    OUTLIER,
    Accept,
    Again,
    Extra,
    GiveUp,
    decide,
    new_outliers,
    outlier_flag,
)

PLAN = basement_plan(("auto",) * 8)
SLOTS = PLAN.slots
OK, FAILED, INVALID, INTERRUPTED = Status.OK, Status.FAILED, Status.INVALID, Status.INTERRUPTED


def tried(slot: Slot, status: Status, throughput_mbps: float | None = 400.0) -> AttemptRecord:
    reason = "" if status is OK else "shared: another client"
    return attempt(slot, throughput_mbps, status=status, reason=reason)


@pytest.mark.parametrize(
    ("statuses", "expected"),
    [
        ([], None),
        ([OK], Accept()),
        ([FAILED], Accept()),
        ([INVALID], Again("shared: another client", left=1)),
        ([INVALID, INVALID], Again("shared: another client", left=0)),
        ([INVALID, INVALID, OK], Accept()),
        ([INVALID, FAILED], Accept()),
        ([INVALID, INVALID, INVALID], GiveUp),
        ([INTERRUPTED], Again("shared: another client", left=2)),
        ([INVALID, INTERRUPTED, INVALID], Again("shared: another client", left=0)),
        ([INTERRUPTED, INTERRUPTED, INTERRUPTED, INTERRUPTED], Again("shared: another client", left=2)),
        ([INVALID, INVALID, INTERRUPTED, INVALID], GiveUp),
    ],
)
def test_the_table(statuses: list[Status], expected: object) -> None:
    """Invalid again at most twice; failed is a result; an interruption uses up no try."""
    decision = decide([tried(SLOTS[0], status) for status in statuses], SLOTS[0])
    if expected is GiveUp:
        assert isinstance(decision, GiveUp)
        assert decision.reason.startswith("3 tries did not measure this case")
    else:
        assert decision == expected


def ok_history(values: list[float]) -> list[AttemptRecord]:
    return [tried(slot, OK, value) for slot, value in zip(SLOTS, values, strict=False)]


@pytest.mark.parametrize("strange", [100.0, 1600.0])
def test_an_outlier_to_either_side_earns_an_extra_repeat(strange: float) -> None:
    """Two-sided: a value that is too nice is as suspicious as one that is too bad."""
    assert decide(ok_history([400, 401, 399, strange]), SLOTS[3]) == Extra(
        "an outlier is labelled, kept and counted", (3,)
    )


def test_an_earlier_value_may_turn_out_to_be_the_outlier() -> None:
    """The first value of a case cannot be judged until there are three."""
    assert isinstance(decide(ok_history([100, 400]), SLOTS[1]), Accept)
    assert decide(ok_history([100, 400, 401]), SLOTS[2]) == Extra("an outlier is labelled, kept and counted", (0,))


def test_a_value_is_labelled_once() -> None:
    """The label stays; it does not earn again with every later attempt."""
    history = ok_history([100, 400, 401, 402])
    history[0] = replace(history[0], flags=(Flag(OUTLIER, "far", "note"),))
    assert decide(history, SLOTS[3]) == Accept()


def test_no_more_than_two_extra_repeats_and_the_label_comes_all_the_same() -> None:
    """At most two a case; the third outlier is a fact nevertheless."""
    history = ok_history([100, 1600, 400, 401, 399, 402, 400, 30])
    for place in (0, 1):
        history[place] = replace(history[place], flags=(Flag(OUTLIER, "far", "note"),))
    assert decide(history, SLOTS[7]) == Accept(outliers=(7,))


def test_only_valid_values_of_the_same_case_are_looked_at() -> None:
    """Invalid, failed and foreign values must not shift the median."""
    history = ok_history([400, 401])
    history += [tried(SLOTS[2], INVALID, 5.0), tried(SLOTS[2], FAILED, 2.0)]
    foreign = tried(SLOTS[3], OK, 9.0)
    history += [replace(foreign, direction="upload"), replace(foreign, ap_config="wide80"), tried(SLOTS[4], OK, 402)]
    assert decide(history, SLOTS[4]) == Accept()
    assert new_outliers(history, SLOTS[4].case) == ()


def test_the_label_says_what_was_seen() -> None:
    """Figures and rule stand in the row."""
    flag = outlier_flag(ok_history([400, 401, 399, 100]), 3)
    assert (flag.name, flag.severity) == ("outlier", "note")
    assert flag.reason == (
        "100.0 Mbit/s is more than a factor 1.25 away from the median 399.5 Mbit/s of 4 valid values"
    )


# Exact in binary, and too few steps for a distance to fall on 3.5 robust deviations exactly (3.5 * 1.4826 / .735 =
# 353/50 would be the first), so that rounding cannot decide.
LOG_STEPS = st.integers(min_value=-40, max_value=40)


@settings(deadline=None)
@given(st.lists(LOG_STEPS, min_size=1, max_size=8))
def test_mirrored_values_lead_to_the_same_decisions(steps: list[int]) -> None:
    """Property: up or down makes no difference. Every decision over the whole sequence, labels included."""
    decisions = []
    for sign in (1, -1):
        history: list[AttemptRecord] = []
        taken = []
        for slot, step in zip(SLOTS, steps, strict=False):
            history.append(tried(slot, OK, 400 * math.exp(sign * step / 16)))
            decision = decide(history, slot)
            taken.append(decision)
            if isinstance(decision, Accept | Extra):
                for position in decision.outliers:
                    flag = Flag(OUTLIER, "far", "note")
                    history[position] = replace(history[position], flags=(flag,))
        decisions.append(taken)
    assert decisions[0] == decisions[1]


STATUSES = st.sampled_from([OK, OK, OK, FAILED, INVALID])


@settings(deadline=None)
@given(st.data())
def test_every_visit_ends_within_its_bound_and_keeps_every_attempt(data: st.DataObject) -> None:
    """Property: whatever happens, attempts are bounded, none is dropped, extra repeats are at most two a case, and a
    wanted measurement ends with a result or is listed as one without."""
    alone, side_by_side = ("auto",) * 3, ("auto", "wide80", "wide80", "auto") * 2
    compared = compared_plan(maximum=6, directions=("download",))
    plan = data.draw(st.sampled_from([basement_plan(alone), basement_plan(side_by_side), compared]))
    agenda = Agenda(plan)
    made = 0
    while (turn := agenda.next_turn()) is not None:
        slot = turn.slots[0]
        status = data.draw(STATUSES)
        value = data.draw(st.sampled_from([400.0, 402.0, 398.0, 90.0, 1700.0]))
        made += 1
        agenda.add(replace(tried(slot, status, value), test_id=f"test-{made}"))
        decision = decide(agenda.attempts, slot, agenda.most_extra)
        if isinstance(decision, Accept | Extra):
            for position in decision.outliers:
                agenda.label(position, Flag(OUTLIER, "far", "note"))
        assert made <= attempts_allowed(plan)
        assert len(agenda.attempts) == made
        assert agenda.done + agenda.open == agenda.wanted
    assert [record.test_id for record in agenda.attempts] == [f"test-{number}" for number in range(1, made + 1)]
    assert agenda.wanted <= len(plan.slots) + EXTRA_REPEATS * len(plan.cases)
    results = sum(record.status in {OK, FAILED} for record in agenda.attempts)
    assert results + len(agenda.without_result) == agenda.wanted


@settings(deadline=None)
@given(st.lists(st.sampled_from([OK, FAILED, INVALID]), min_size=1, max_size=12))
def test_no_slot_is_tried_more_than_three_times(statuses: list[Status]) -> None:
    """Property: the decision says "again" at most twice in a row of tries that it led to."""
    history: list[AttemptRecord] = []
    for status in statuses:
        history.append(tried(SLOTS[0], status))
        if not isinstance(decide(history, SLOTS[0]), Again):
            break
    assert len(history) <= INVALID_TRIES
    assert all(before.status is INVALID for before, _ in pairwise(history))
