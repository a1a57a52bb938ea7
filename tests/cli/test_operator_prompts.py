"""The person at the keyboard: Enter confirms, the end of the input and Ctrl-C let the run stop cleanly."""

import asyncio
import os
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress

import pytest
from bookshop_visit import bookshop_plan

from sitetest.cli.operator import TypingOperator
from sitetest.cli.typed_line import TypedLines
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.protocols import RadioAnswer

TURN = bookshop_plan(ap_configs=("auto", "[wide80]")).turns[1]


class ShownText:
    def __init__(self) -> None:
        self.lines: list[str] = []
        self.questions = 0

    @contextmanager
    def paused(self) -> Iterator[None]:
        self.questions += 1
        yield

    def say(self, text: str) -> None:
        self.lines.append(text)


@pytest.fixture
async def keyboard() -> AsyncIterator[tuple[TypedLines, int]]:
    reading, writing = os.pipe()
    yield TypedLines(reading), writing
    with suppress(OSError):
        os.close(writing)  # lets a reader that still waits see the end of its input
    for thread in threading.enumerate():
        if thread.name == "typed line":
            thread.join(5)  # one that has yet to read would otherwise read the next test's descriptor
    os.close(reading)


Keyboard = tuple[TypedLines, int]


async def test_enter_confirms_the_switch_and_the_question_names_the_ap_config(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    screen, stop = ShownText(), asyncio.Event()
    operator = TypingOperator(screen, typed.next_line, stop)
    os.write(writing, b"\n")
    await asyncio.wait_for(operator.switch_to(TURN), 5)
    assert "[wide80]" in screen.lines[0]
    assert "Enter" in screen.lines[1]
    assert not stop.is_set()


async def test_the_switch_question_says_which_turn_it_is_and_of_which_access_point(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    screen, stop = ShownText(), asyncio.Event()
    operator = TypingOperator(
        screen, typed.next_line, stop, turns=4, access_points={"auto": "counter", "[wide80]": "counter"}
    )
    os.write(writing, b"\n")
    await asyncio.wait_for(operator.switch_to(TURN), 5)
    assert screen.lines[0] == "Turn 2 of 4. Now set the access point counter to AP config:  [wide80]"


async def test_reassociate_tells_whether_somebody_was_there(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    screen, stop = ShownText(), asyncio.Event()
    operator = TypingOperator(screen, typed.next_line, stop)
    os.write(writing, b"done\n")
    assert await asyncio.wait_for(operator.reassociate(TURN), 5)
    os.close(writing)
    assert not await asyncio.wait_for(operator.reassociate(TURN), 5)
    assert stop.is_set()
    assert "nobody can answer" in screen.lines[-1]


async def test_ctrl_c_at_the_question_ends_the_wait(keyboard: Keyboard) -> None:
    typed, _ = keyboard
    stop = asyncio.Event()
    asking = asyncio.create_task(TypingOperator(ShownText(), typed.next_line, stop).switch_to(TURN))
    await asyncio.sleep(0)
    assert not asking.done()
    stop.set()
    await asyncio.wait_for(asking, 5)


async def test_what_is_typed_after_a_question_was_given_up_answers_the_next(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    first = asyncio.create_task(typed.next_line())
    await asyncio.sleep(0)
    first.cancel()
    with pytest.raises(asyncio.CancelledError):
        await first
    os.write(writing, b"late\nnext\n")
    assert await asyncio.wait_for(typed.next_line(), 5) == "late"
    assert await asyncio.wait_for(typed.next_line(), 5) == "next"


async def test_at_a_terminal_an_enter_pressed_too_early_confirms_nothing() -> None:
    """Else a second Enter at one prompt would answer the next, and a turn be measured under the wrong name."""
    person, terminal = os.openpty()
    try:
        typed = TypedLines(terminal)
        first = asyncio.create_task(typed.next_line())
        await asyncio.sleep(0)
        os.write(person, b"\n\n")
        assert await asyncio.wait_for(first, 5) == ""
        os.write(person, b"\n")
        second = asyncio.create_task(typed.next_line())
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.shield(second), 0.3)
        os.write(person, b"done\n")
        assert await asyncio.wait_for(second, 5) == "done"
    finally:
        os.close(person)
        os.close(terminal)


async def test_the_last_line_counts_without_its_end_and_then_the_input_is_over(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    os.write(writing, b"no end")
    os.close(writing)
    assert await asyncio.wait_for(typed.next_line(), 5) == "no end"
    assert await asyncio.wait_for(typed.next_line(), 5) is None


WRONG = Mismatch(("band",), "ap-2 (2.4 GHz)", "The laptop is on ap-2 (2.4 GHz); the profile says 5 GHz.")


@pytest.mark.parametrize(
    ("typed_text", "answer"),
    [
        ("\n", RadioAnswer.LOOK_AGAIN),
        ("g\n", RadioAnswer.GO_ON),
        (" GO \n", RadioAnswer.GO_ON),
        ("s\n", RadioAnswer.STOP),
        ("yes\n\n", RadioAnswer.LOOK_AGAIN),
        ("y\nstop\n", RadioAnswer.STOP),
    ],
)
async def test_a_wrong_radio_is_asked_about_until_one_of_three_answers_comes(
    keyboard: Keyboard, typed_text: str, answer: RadioAnswer
) -> None:
    """Nothing but a clear g goes on."""
    typed, writing = keyboard
    screen, stop = ShownText(), asyncio.Event()
    operator = TypingOperator(screen, typed.next_line, stop)
    os.write(writing, typed_text.encode())
    assert await asyncio.wait_for(operator.wrong_radio(TURN, WRONG), 5) is answer
    assert screen.lines[0] == WRONG.sentence
    assert "in doubt" in "\n".join(screen.lines)
    assert screen.questions == typed_text.count("\n")
    assert not stop.is_set()


async def test_a_question_about_the_radio_that_nobody_answers_stops_the_run(keyboard: Keyboard) -> None:
    typed, writing = keyboard
    screen, stop = ShownText(), asyncio.Event()
    os.close(writing)
    operator = TypingOperator(screen, typed.next_line, stop)
    assert await asyncio.wait_for(operator.wrong_radio(TURN, WRONG), 5) is RadioAnswer.STOP
    assert stop.is_set()
