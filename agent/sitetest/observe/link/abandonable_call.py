"""Calls something that may hang, waits for a limited time, and never lets hung calls pile up.

May import the standard library only.
"""

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

Answer = TypeVar("Answer")


class TimedOut(Exception):
    """The call did not come back in time, or an earlier one has not come back yet."""


@dataclass(slots=True)
class _Call(Generic[Answer]):
    function: Callable[[], Answer]
    done: threading.Event
    answer: Answer | None = None
    fault: BaseException | None = None


class AbandonableCall(Generic[Answer]):
    """One daemon thread that makes the calls, so that whoever waits can go on without it. Not for several callers."""

    def __init__(self, name: str) -> None:
        self._calls: queue.SimpleQueue[_Call[Answer] | None] = queue.SimpleQueue()
        self._hung: _Call[Answer] | None = None
        self._name = name
        self._thread: threading.Thread | None = None

    def call(self, function: Callable[[], Answer], limit_s: float) -> Answer:
        """Return what ``function`` returns, or raise what it raises. Raises TimedOut after ``limit_s`` seconds, and at
        once while an earlier call hangs; the late answer is thrown away."""
        if self._hung is not None and not self._hung.done.is_set():
            raise TimedOut
        self._hung = None
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name=self._name, daemon=True)
            self._thread.start()
        call = _Call(function, threading.Event())
        self._calls.put(call)
        if not call.done.wait(limit_s):
            self._hung = call
            raise TimedOut
        if call.fault is not None:
            raise call.fault
        return call.answer  # type: ignore[return-value]  # set together with done

    def close(self, limit_s: float) -> None:
        """Let the thread end, and wait for it up to ``limit_s``; a hung one ends whenever its call comes back."""
        if self._thread is not None:
            self._calls.put(None)
            self._thread.join(limit_s)
            self._thread = None

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            try:
                call.answer = call.function()
            except BaseException as fault:  # noqa: BLE001  handed to the caller, not hidden
                call.fault = fault
            call.done.set()
