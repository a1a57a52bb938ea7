"""What is still to be measured: a pure function of the plan and of the attempts so far.

A visit that goes on after an interruption and one that was never interrupted ask the same question, so that both end
with the same slots settled.

    planned turns of quad 1, their replacements, planned turns of quad 2, their replacements, ..., extra turns

* A slot that is given up loses its turn's measurement; the slots that one planned turn lost are wanted once more in a
  *replacement turn* at the end of its quad. One replacement for each planned turn, none for a replacement.
* Where AP configs are compared, a case is wanted until every comparison that it takes part in is decided
  (`visit/stopping.py`). The quad in reserve is wanted only once all before it are settled and a comparison is still
  open: its last look asks for one more quad, or turns were lost.
* Where nothing is compared, an outlier earns its case one more repeat. Extra repeats have *extra turns* of their own at
  the end of the visit, one for each AP config and round: a second transfer in the same turn would not be an independent
  measurement, and the planned quads stay balanced against drift.

Turn numbers are worked out, not handed out, so that every part of a visit agrees on them: with N the highest planned
number and C AP configs, the replacement of turn t is N + t, and round e of the extra repeats of config c (0-based) is
2 N + (e - 1) C + c + 1.

May import plan, stats.looks, store.records, visit.retry, visit.stopping and the standard library only.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from sitetest.plan.cases import Case, Plan, Slot, Turn
from sitetest.stats.sides import NO_ASSOCIATION
from sitetest.store.records import AttemptRecord, Flag, TurnRecord
from sitetest.visit.retry import EXTRA_REPEATS, INVALID_TRIES, Accept, GiveUp, case_of, extra_repeats, settle
from sitetest.visit.stopping import CasePair, Evidence, Standing, decided_cases, progress_of, standings

if TYPE_CHECKING:
    from sitetest.stats.looks import Progress

SlotKey = tuple[int, int, Case]


def key_of(record: AttemptRecord) -> SlotKey:
    """Return the key of the slot that an attempt was a try at."""
    return (record.turn, record.repeat, case_of(record))


class Agenda:
    """The plan, and what has become of it.

    attempts: every attempt so far, oldest first, outlier labels included; grows by :meth:`add` alone. begun: turns as
    they really began, as far as they did; grows by :meth:`begin`. lost: slots that
    could not even be tried (their AP config would not apply); replaced like any that are given up. not_run: slots that
    the data cap ended; never replaced.
    """

    def __init__(self, plan: Plan, attempts: Iterable[AttemptRecord] = (), begun: Iterable[TurnRecord] = ()) -> None:
        self.plan = plan
        self.attempts: list[AttemptRecord] = []
        self.lost: set[SlotKey] = set()
        self.not_run: set[SlotKey] = set()
        self._tries: dict[SlotKey, list[int]] = {}
        self._open: tuple[Turn, ...] = ()
        self._open_at: tuple[int, ...] = ()
        self._labels = 0
        self._settled: set[SlotKey] = set()
        self._given_up: set[SlotKey] = set()
        self._last_planned = max((turn.number for turn in plan.turns), default=0)
        self._not_fresh: set[int] = set()
        self._looks: Mapping[CasePair, Progress] | None = None
        self._decided: frozenset[Case] = frozenset()
        self._several_a_turn = any(count > 1 for count in Counter((s.turn, s.case) for s in plan.slots).values())
        for turn in begun:
            self.begin(turn)
        for record in attempts:
            self.add(record)

    def add(self, record: AttemptRecord) -> None:
        """Take in the latest attempt; seconds and raw text are not kept here."""
        key = key_of(record)
        self._tries.setdefault(key, []).append(len(self.attempts))
        self.attempts.append(replace(record, seconds=(), raw=None))
        standing = settle([self.attempts[position] for position in self._tries[key]])
        if isinstance(standing, Accept | GiveUp):
            self._settled.add(key)
        if isinstance(standing, GiveUp):
            self._given_up.add(key)
        self._looks = None

    def begin(self, turn: TurnRecord) -> None:
        """Take note of how a turn began; before its attempts."""
        if turn.association == NO_ASSOCIATION:
            self._not_fresh.add(turn.turn)

    def label(self, position: int, flag: Flag) -> AttemptRecord:
        """Add a flag to the attempt at a position of ``attempts``; return the attempt with it."""
        record = self.attempts[position]
        self.attempts[position] = replace(record, flags=(*record.flags, flag))
        self._labels += 1
        return self.attempts[position]

    def next_turn(self) -> Turn | None:
        """Return the first turn that has open slots, with those slots alone; None when nothing is left."""
        return next(iter(self.open_turns()), None)

    def open_turns(self) -> tuple[Turn, ...]:
        """Return every turn that has open slots, as far as can be told now, with those slots alone."""
        state = (len(self.attempts), self._labels, len(self.lost), len(self.not_run))
        if state != self._open_at:
            self._open, self._open_at = tuple(self._open_turns()), state
        return self._open

    def tries(self, slot: Slot) -> list[AttemptRecord]:
        """Return the attempts at a slot, oldest first."""
        return [self.attempts[position] for position in self._tries.get(slot.key, ())]

    def tries_before(self, slot: Slot) -> int:
        """Return how many tries the wanted measurement has had, those in the turn that it replaces included."""
        return sum(record.repeat == slot.repeat and case_of(record) == slot.case for record in self.attempts)

    def is_open(self, slot: Slot) -> bool:
        """Tell whether a slot still wants an attempt."""
        return self._unsettled(slot) and slot.case not in self.decided

    @property
    def most_extra(self) -> int:
        """Extra repeats that a case may earn by outliers."""
        return EXTRA_REPEATS if self.plan.comparison is None else 0

    @property
    def looks(self) -> Mapping[CasePair, "Progress"]:
        """Where each comparison of the plan stands; empty without one."""
        if self._looks is None:
            self._looks = progress_of(self.plan, self._evidence())
            self._decided = decided_cases(self._looks)
        return self._looks

    @property
    def decided(self) -> frozenset[Case]:
        """Cases that are wanted no more, since every comparison that they take part in is decided."""
        return self._decided if self.looks else frozenset()

    @property
    def saved(self) -> int:
        """Measurements up to the plan's maximum that are not made since their comparisons are decided."""
        return sum(
            self._unsettled(slot) and slot.case in self.decided
            for turn in self.plan.turns
            if not self.plan.in_reserve(turn)
            for slot in turn.slots
        )

    def standings(self) -> tuple[Standing, ...]:
        """Return what could be said of each comparison now."""
        return standings(self.plan, self._evidence())

    @property
    def wanted(self) -> int:
        """Measurements wanted in all: planned ones up to the maximum, without those that a decision saved, and extra
        ones. A replacement is not wanted on top."""
        reserve = {slot.key for turn in self.open_turns() if self.plan.in_reserve(turn) for slot in turn.slots}
        planned = sum(
            not self._unsettled(slot)
            or (slot.key in reserve if self.plan.in_reserve(turn) else slot.case not in self.decided)
            for turn in self.plan.turns
            for slot in turn.slots
        )
        return planned + sum(self._extra(case) for case in self.plan.cases)

    @property
    def open(self) -> int:
        """Wanted measurements that are not settled."""
        return sum(len(turn.slots) for turn in self.open_turns())

    @property
    def done(self) -> int:
        """Wanted measurements that are settled, one way or the other."""
        return self.wanted - self.open

    @property
    def without_result(self) -> tuple[Slot, ...]:
        """Wanted measurements settled without a result: given up in their last turn, or not run at all."""
        return tuple(
            slot
            for turn in self._all_turns()
            for slot in turn.slots
            if slot.key in self.not_run or (self._gone(slot) and not self.has_replacement(slot))
        )

    # --- the turns, in order ---------------------------------------------------------------------------------------

    def _all_turns(self) -> Iterator[Turn]:
        for quad in dict.fromkeys(turn.quad for turn in self.plan.turns):
            planned = [turn for turn in self.plan.turns if turn.quad == quad]
            yield from planned
            yield from self._replacements(planned)
        yield from self._extra_turns()

    def _open_turns(self) -> Iterator[Turn]:
        before_reserve = False
        for turn in self._all_turns():
            in_reserve = self.plan.in_reserve(turn)
            if in_reserve and before_reserve:
                return
            slots = tuple(slot for slot in turn.slots if self.is_open(slot))
            if slots:
                before_reserve |= not in_reserve
                yield replace(turn, slots=slots)

    def _replacements(self, planned: Iterable[Turn]) -> Iterator[Turn]:
        for turn in planned:
            number = self._last_planned + turn.number
            slots = tuple(replace(slot, turn=number) for slot in turn.slots if self._gone(slot))
            if slots:
                yield Turn(number, turn.quad, turn.ap_config, slots)

    def _extra_turns(self) -> Iterator[Turn]:
        cases = self.plan.cases
        ap_configs = tuple(dict.fromkeys(turn.ap_config for turn in self.plan.turns))
        earned = {case: self._extra(case) for case in cases}
        planned = {case: max(slot.repeat for slot in self.plan.slots if slot.case == case) for case in cases}
        last_quad = max((turn.quad for turn in self.plan.turns), default=0)
        for extra in range(1, EXTRA_REPEATS + 1):
            for place, ap_config in enumerate(ap_configs):
                number = 2 * self._last_planned + (extra - 1) * len(ap_configs) + place + 1
                slots = tuple(
                    Slot(number, planned[case] + extra, case)
                    for case in cases
                    if case.ap_config == ap_config and earned[case] >= extra
                )
                if slots:
                    yield Turn(number, last_quad + extra, ap_config, slots)

    def _extra(self, case: Case) -> int:
        return min(self.most_extra, extra_repeats(self.attempts, case))

    # --- one slot --------------------------------------------------------------------------------------------------

    def _evidence(self) -> Evidence:
        under_way = self._under_way() if self._several_a_turn else frozenset[tuple[int, Case]]()
        return Evidence(self.attempts, self._not_fresh, under_way)

    def _under_way(self) -> frozenset[tuple[int, Case]]:
        """Turns of a case that have begun and whose value may still change."""
        begun = {(turn, case) for turn, _, case in self._tries}
        return frozenset(
            (slot.turn, slot.case)
            for turn in self._all_turns()
            for slot in turn.slots
            if (slot.turn, slot.case) in begun and self._unsettled(slot)
        )

    def _unsettled(self, slot: Slot) -> bool:
        key = slot.key
        gone = key in self.not_run or key in self.lost or self._was_replaced(slot)
        return not gone and key not in self._settled

    def _gone(self, slot: Slot) -> bool:
        """Lost for good in its turn, and not because of the data cap."""
        key = slot.key
        return key not in self.not_run and (key in self.lost or key in self._given_up or self._was_replaced(slot))

    def _was_replaced(self, slot: Slot) -> bool:
        """Tell whether its replacement has been tried: a resumed visit does not remember what could not be applied."""
        replacement = (self._last_planned + slot.turn, slot.repeat, slot.case)
        return replacement in self._tries and self.has_replacement(slot) and slot.key not in self._tries

    def has_replacement(self, slot: Slot) -> bool:
        """Tell whether the slot, once given up, is wanted again in a replacement turn: planned ones are."""
        return slot.turn <= self._last_planned


def attempts_allowed(plan: Plan) -> int:
    """Return the most attempts that a visit can take, interruptions apart: what the retry rule promises."""
    return INVALID_TRIES * (2 * len(plan.slots) + EXTRA_REPEATS * len(plan.cases))
