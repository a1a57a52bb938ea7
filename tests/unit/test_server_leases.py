"""Leases: one measures, the others wait in order, and nobody who vanished is waited for. On a fake clock."""

import itertools
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from sitetest_server.leases import (
    ENDED_KEPT_S,
    LEASE_MARGIN_S,
    MAX_WAITING,
    RELEASED,
    Lease,
    LeaseManager,
    QueueFull,
    UnknownLease,
)
from sitetest_wire.messages import LEASE_POLL_S, LEASE_SILENCE_S, LeaseRequest
from sitetest_wire.words import Direction, EngineName


def request(agent: str = "counter-laptop", warm_up_s: float = 3.0, duration_s: float = 30.0) -> LeaseRequest:
    return LeaseRequest(agent, EngineName.HTTP, Direction.DOWNLOAD, 5, warm_up_s, duration_s)


@dataclass
class Desk:
    """A manager with a clock of its own and a record of what started and ended, in order."""

    parallel: int = 1
    now_s: float = 1000.0
    log: list[str] = field(default_factory=list)
    forgotten: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        numbers = itertools.count(1)
        self.manager = LeaseManager(
            clock=lambda: self.now_s,
            new_id=lambda: f"L{next(numbers)}",
            on_start=lambda lease: self._note("start", lease),
            on_end=lambda lease: self._note("end", lease),
            on_forget=lambda lease: self.forgotten.append(lease.lease_id),
            parallel=self.parallel,
        )

    def _note(self, what: str, lease: Lease) -> None:
        self.log.append(f"{what} {lease.lease_id}")

    def ask(self, *args: Any, **options: Any) -> str:
        return self.manager.ask(request(*args, **options)).lease_id

    def pass_time(self, duration_s: float, *polled: str) -> None:
        """Let time pass while the agents of ``polled`` ask about their leases as often as they should."""
        until_s = self.now_s + duration_s
        while self.now_s < until_s:
            self.now_s = min(self.now_s + LEASE_POLL_S, until_s)
            for lease_id in polled:
                self.manager.hear(lease_id)
            self.manager.advance()


def test_the_first_is_active_and_the_next_waits_and_is_told_whom_for_and_how_long() -> None:
    desk = Desk()
    first = desk.manager.ask(request("counter-laptop", 3, 30))
    second = desk.manager.ask(request("reading-room-laptop", 0, 10))
    third = desk.manager.ask(request("basement-laptop"))
    assert (first.phase, first.place, first.ends_in_s) == ("active", 0, 3 + 30 + LEASE_MARGIN_S)
    assert (second.phase, second.place, second.held_by) == ("waiting", 1, "counter-laptop")
    assert second.wait_s == 3 + 30 + LEASE_MARGIN_S
    assert (third.place, third.wait_s) == (2, 3 + 30 + LEASE_MARGIN_S + 10 + LEASE_MARGIN_S)
    assert second.ends_in_s is None
    assert desk.log == ["start L1"]


def test_the_longest_wait_shrinks_as_the_holder_uses_its_time() -> None:
    desk = Desk()
    first, second = desk.ask(), desk.ask()
    before = desk.manager.hear(second).wait_s
    desk.pass_time(7.0, first, second)
    assert desk.manager.hear(second).wait_s == pytest.approx(before - 7.0)


def test_leases_are_served_in_the_order_in_which_they_were_asked_for() -> None:
    desk = Desk()
    ids = [desk.ask() for _ in range(4)]
    for lease_id in ids:
        assert desk.manager.hear(lease_id).phase == "active"
        desk.manager.release(lease_id)
    assert desk.log == [f"{what} {lease_id}" for lease_id in ids for what in ("start", "end")]


def test_a_holder_that_vanishes_loses_its_lease_after_the_silence_and_the_next_one_starts() -> None:
    desk = Desk()
    first, second = desk.ask(), desk.ask()
    desk.pass_time(LEASE_SILENCE_S - LEASE_POLL_S, second)
    assert desk.log == ["start L1"]
    desk.pass_time(LEASE_POLL_S, second)
    assert desk.log == ["start L1", "end L1", "start L2"]
    gone = desk.manager.hear(first)
    assert gone.phase == "ended"
    assert gone.reason == f"its agent counter-laptop asked nothing for {LEASE_SILENCE_S:g} s"


def test_a_holder_that_keeps_asking_keeps_its_lease_until_its_time_is_over() -> None:
    desk = Desk()
    first = desk.ask(warm_up_s=3, duration_s=30)
    desk.pass_time(3 + 30 + LEASE_MARGIN_S - LEASE_POLL_S, first)
    assert desk.manager.hear(first).phase == "active"
    desk.pass_time(LEASE_POLL_S, first)
    assert desk.manager.hear(first).phase == "ended"
    assert desk.manager.hear(first).reason == f"its time of {3 + 30 + LEASE_MARGIN_S:g} s was over"


def test_a_waiter_that_vanishes_gives_up_its_place_and_never_starts() -> None:
    desk = Desk()
    first, second, third = desk.ask(), desk.ask(), desk.ask()
    desk.pass_time(LEASE_SILENCE_S, first, third)
    assert desk.manager.hear(third).place == 1
    assert desk.manager.hear(second).phase == "ended"
    desk.manager.release(first)
    assert desk.log == ["start L1", "end L1", "start L3"]


def test_holder_and_waiter_that_vanish_together_do_not_start_the_waiter() -> None:
    """Otherwise a dead agent's transfer would be set up, and the living one behind it would wait for nothing."""
    desk = Desk()
    desk.ask()
    desk.ask()
    third = desk.ask()
    desk.pass_time(LEASE_SILENCE_S, third)
    assert desk.log == ["start L1", "end L1", "start L3"]


def test_a_release_while_waiting_leaves_the_queue_and_calls_nothing() -> None:
    desk = Desk()
    first, second, third = desk.ask(), desk.ask(), desk.ask()
    state = desk.manager.release(second)
    assert (state.phase, state.reason) == ("ended", RELEASED)
    assert desk.manager.hear(third).place == 1
    assert desk.log == ["start L1"]
    assert desk.manager.hear(first).phase == "active"


def test_a_second_release_changes_nothing() -> None:
    desk = Desk()
    first = desk.ask()
    desk.manager.release(first)
    desk.manager.release(first, "another reason")
    assert desk.manager.hear(first).reason == RELEASED
    assert desk.log == ["start L1", "end L1"]


def test_the_queue_has_an_end() -> None:
    desk = Desk()
    for _ in range(1 + MAX_WAITING):
        desk.ask()
    with pytest.raises(QueueFull, match=str(MAX_WAITING)):
        desk.ask()


def test_an_ended_lease_is_remembered_for_a_while_and_then_unknown() -> None:
    desk = Desk()
    first = desk.ask()
    desk.manager.release(first)
    desk.now_s += ENDED_KEPT_S - 0.1
    assert desk.manager.hear(first).phase == "ended"
    assert desk.forgotten == []
    desk.now_s += 0.1
    with pytest.raises(UnknownLease):
        desk.manager.hear(first)
    assert desk.forgotten == [first]


def test_leases_that_were_active_together_are_marked_for_good_and_others_are_not() -> None:
    desk = Desk(parallel=2)
    alone = desk.ask()
    assert not desk.manager.hear(alone).shared
    desk.manager.release(alone)
    second, third = desk.ask(), desk.ask()
    desk.manager.release(third)
    assert desk.manager.hear(second).shared
    assert desk.manager.hear(third).shared
    assert not desk.manager.hear(alone).shared


def test_with_two_at_once_a_waiter_waits_for_whichever_ends_first() -> None:
    desk = Desk(parallel=2)
    desk.ask(warm_up_s=0, duration_s=100)
    desk.ask(warm_up_s=0, duration_s=10)
    third = desk.manager.ask(request(warm_up_s=0, duration_s=200))
    fourth = desk.manager.ask(request())
    assert third.wait_s == 10 + LEASE_MARGIN_S
    # The third takes the second's slot until 25 + 215 s; the first one's is free before that, at 115 s.
    assert fourth.wait_s == 100 + LEASE_MARGIN_S


def test_ending_all_starts_nobody() -> None:
    desk = Desk()
    ids = [desk.ask() for _ in range(3)]
    desk.manager.release_all("the server was stopped")
    assert desk.log == ["start L1", "end L1"]
    assert {desk.manager.hear(lease_id).reason for lease_id in ids} == {"the server was stopped"}
    assert desk.manager.states() == ()


class Queue(RuleBasedStateMachine):
    """Whatever agents do, in whatever order: the rules of the queue hold."""

    def __init__(self) -> None:
        super().__init__()
        self.desk = Desk(parallel=2)
        self.asked: list[str] = []

    @rule(duration_s=st.floats(0.1, 50))
    def ask(self, duration_s: float) -> None:
        try:
            self.asked.append(self.desk.ask(duration_s=duration_s))
        except QueueFull:
            assert len(self.desk.manager.states()) == 2 + MAX_WAITING

    @rule(which=st.integers(0, 30), what=st.sampled_from(["hear", "release"]))
    def touch(self, which: int, what: str) -> None:
        if self.asked:
            lease_id = self.asked[which % len(self.asked)]
            try:
                getattr(self.desk.manager, what)(lease_id)
            except UnknownLease:
                self.asked.remove(lease_id)

    @rule(duration_s=st.floats(0, 20))
    def wait(self, duration_s: float) -> None:
        self.desk.now_s += duration_s
        self.desk.manager.advance()

    @invariant()
    def at_most_two_are_active_and_nobody_waits_beside_a_free_slot(self) -> None:
        states = self.desk.manager.states()
        active = [state for state in states if state.phase == "active"]
        waiting = [state for state in states if state.phase == "waiting"]
        assert len(active) <= 2
        assert not waiting or len(active) == 2
        assert [state.place for state in waiting] == list(range(1, len(waiting) + 1))
        waits = [state.wait_s for state in waiting]
        assert waits == sorted(waits)

    @invariant()
    def starts_come_in_order_and_every_end_has_a_start(self) -> None:
        started = [int(entry[7:]) for entry in self.desk.log if entry.startswith("start")]
        ended = [int(entry[5:]) for entry in self.desk.log if entry.startswith("end")]
        assert started == sorted(set(started))
        assert len(ended) == len(set(ended))
        assert set(ended) <= set(started)
        active = {int(state.lease_id[1:]) for state in self.desk.manager.states() if state.phase == "active"}
        assert set(started) - set(ended) == active


TestQueue = Queue.TestCase
TestQueue.settings = settings(max_examples=30, stateful_step_count=40, deadline=None)
