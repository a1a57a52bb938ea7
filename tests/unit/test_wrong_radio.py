"""The begin of a turn on another radio than the site declares: who is asked, what is lost, what ends the run."""

import asyncio
from collections.abc import Sequence

import pytest
from visit_fakes import FakeClock, FakeOperator, FakePath, FakeSwitch, MemoryKeeper, basement_plan

from sitetest.errors import Exit, WrongRadio
from sitetest.plan.cases import Leg, Turn
from sitetest.store.records import VisitRecord
from sitetest.visit.announcer import Announcer
from sitetest.visit.events import Event, Noted
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.patience import AnswerWait, Patience
from sitetest.visit.protocols import RadioAnswer
from sitetest.visit.stoppable import Stoppable, Stopped
from sitetest.visit.turn_begin import ApConfigFacts, TurnBegin

ABBA = ("auto", "wide80", "wide80", "auto")
WRONG = Mismatch(("band",), "ap-2 (2.4 GHz)", "The laptop is on ap-2 (2.4 GHz); the profile says 5 GHz.")
WORSE = Mismatch(("bssid",), "ap-3 (2.4 GHz)", "The laptop is on ap-3 (2.4 GHz); the profile says ap-1.")
LOOK_AGAIN, GO_ON, STOP = RadioAnswer.LOOK_AGAIN, RadioAnswer.GO_ON, RadioAnswer.STOP


class Looks:
    """A radio check that finds this, in turn, and then nothing."""

    def __init__(self, found: Sequence[Mismatch | None]) -> None:
        self._found = list(found)
        self.turns: list[int] = []

    async def look(self, turn: Turn) -> Mismatch | None:
        self.turns.append(turn.number)
        return self._found.pop(0) if self._found else None


class Room:
    """What begins turns, with all its fakes."""

    def __init__(self, looks: Looks | None, operator: FakeOperator | None = None, order: Sequence[str] = ABBA) -> None:
        self.plan = basement_plan(order)
        self.clock, self.keeper, self.stop = FakeClock(), MemoryKeeper(), asyncio.Event()
        self.events: list[Event] = []
        self.operator = operator
        self.switch = FakeSwitch()
        path, patience, stoppable = FakePath(), Patience(), Stoppable(self.stop, self.clock)
        self.keeper.visits.append(
            VisitRecord("visit-1", "quay", "basement", "basement", self.clock.now(), "{}", 7, "laptop", "0")
        )
        self.begins = TurnBegin(
            visit_id="visit-1",
            plan=self.plan,
            ap_configs={name: ApConfigFacts("counter", by_command=True) for name in order},
            path=path,
            switch=self.switch,
            operator=operator,
            patience=patience,
            server=AnswerWait(path, Leg.LAN, patience, self.clock, stoppable),
            keeper=self.keeper,
            announcer=Announcer("visit-1", self.keeper, (self.events.append,), self.clock),
            clock=self.clock,
            stop=self.stop,
            stoppable=stoppable,
            radio=looks,
        )

    async def begin(self, number: int) -> bool:
        return await self.begins.begin(self.plan.turns[number - 1]) is not None

    @property
    def notes(self) -> list[str]:
        return [event.text for event in self.events if isinstance(event, Noted) and event.code == "wrong_radio"]

    @property
    def begun(self) -> list[int]:
        return [turn.turn for turn in self.keeper.turns]


async def test_without_a_check_and_on_the_right_radio_nothing_is_asked() -> None:
    for looks in (None, Looks([])):
        room = Room(looks, FakeOperator())
        assert await room.begin(1)
        assert (room.begun, room.notes, room.begins.accepted) == ([1], [], None)


async def test_the_person_is_asked_and_looks_again_until_it_is_right() -> None:
    """The question carries the whole sentence, and the turn is kept only once the radio is right."""
    operator = FakeOperator(about_radio=[LOOK_AGAIN, LOOK_AGAIN])
    looks = Looks([WRONG, WORSE])
    room = Room(looks, operator)
    assert await room.begin(1)
    assert operator.asked_about == [WRONG.sentence, WORSE.sentence]
    assert looks.turns == [1, 1, 1]
    assert (room.begun, room.begins.accepted) == ([1], None)
    assert room.notes == [f"{one.sentence} The answer was: look_again." for one in (WRONG, WORSE)]


async def test_going_on_is_kept_in_mind_for_the_flags_and_asked_once() -> None:
    """A B B A: asked for each AP config that is off, not at each of its turns."""
    operator = FakeOperator(about_radio=[GO_ON])
    room = Room(Looks([WRONG, None, None, WRONG]), operator)
    assert await room.begin(1)
    assert room.begins.accepted == WRONG.sentence
    assert await room.begin(2)
    assert room.begins.accepted is None, "the other AP config is as declared"
    assert await room.begin(3)
    assert await room.begin(4)
    assert room.begins.accepted == WRONG.sentence
    assert operator.asked_about == [WRONG.sentence]


async def test_what_differs_in_another_way_is_asked_again() -> None:
    operator = FakeOperator(about_radio=[GO_ON, GO_ON])
    room = Room(Looks([WRONG, WORSE]), operator, ("auto", "auto"))
    assert await room.begin(1)
    assert await room.begin(2)
    assert operator.asked_about == [WRONG.sentence, WORSE.sentence]
    assert room.begins.accepted == WORSE.sentence


async def test_stopping_stops_the_visit_before_the_turn_is_kept() -> None:
    room = Room(Looks([WRONG]), FakeOperator(about_radio=[STOP]))
    with pytest.raises(Stopped):
        await room.begin(1)
    assert room.stop.is_set()
    assert room.begun == []
    assert room.notes == [f"{WRONG.sentence} The answer was: stop."]


async def test_with_nobody_there_it_is_looked_at_three_times_and_then_the_run_ends() -> None:
    """Wrong use (exit code 2): file or room is wrong, and nothing was measured under a wrong name."""
    looks = Looks([WRONG] * 3)
    room = Room(looks)
    with pytest.raises(WrongRadio, match="ap-2") as ended:
        await room.begin(1)
    assert ended.value.exit_code is Exit.WRONG_USE
    assert "--resume" in ended.value.next_step
    assert looks.turns == [1, 1, 1]
    assert room.clock.slept_s == [5.0, 5.0]
    assert room.begun == []
    assert len(room.notes) == 1


async def test_with_nobody_there_a_laptop_that_comes_back_is_measured() -> None:
    room = Room(Looks([WRONG, WRONG]))
    assert await room.begin(1)
    assert (room.begun, room.notes) == ([1], [])


async def test_with_nobody_there_a_laptop_that_strays_later_costs_its_turn_only() -> None:
    """The file was right in turn 1, so that a night is not thrown away for one stray turn; AP config and association
    are made anew at the next."""
    room = Room(Looks([None, WRONG, WRONG, WRONG, None]), order=("auto", "auto", "auto"))
    assert await room.begin(1)
    assert not await room.begin(2)
    assert await room.begin(3)
    assert room.begun == [1, 3]
    assert room.notes == [f"{WRONG.sentence} Nobody is there to ask; turn 2 is lost."]
    assert room.switch.applied == ["auto", "auto"], "once, and again after the stray turn"


async def test_a_match_of_one_ap_config_says_nothing_about_another() -> None:
    room = Room(Looks([None, WRONG, WRONG, WRONG]))
    assert await room.begin(1)
    with pytest.raises(WrongRadio):
        await room.begin(2)


async def test_ctrl_c_ends_the_question() -> None:
    class Slow(FakeOperator):
        async def wrong_radio(self, turn: Turn, mismatch: Mismatch) -> RadioAnswer:
            asked.set()
            await asyncio.Event().wait()
            raise AssertionError("never answered")

    asked = asyncio.Event()
    room = Room(Looks([WRONG]), Slow())
    beginning = asyncio.create_task(room.begin(1))
    await asked.wait()
    room.stop.set()
    with pytest.raises(Stopped):
        await beginning
