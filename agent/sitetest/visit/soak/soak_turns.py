"""How a turn of a soak begins: its AP config is applied by its command, and the path answers again on its radio.

    command, tried again a few times   ->  fresh association  ->  the server answers, and still does a moment later
        ->  the watch sees it too  ->  the laptop is on the declared radio  ->  the turn is kept

Nothing here ends the soak. A command that fails, or a laptop that stays on another radio, loses the turn: nothing is
measured under a wrong name, that is kept and said, and the AP config is tried again in its next turn. A path that does
not come back in time is what the AP config gives: its turn begins all the same, and the path is waited for.

May import plan, store, visit and the standard library only.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from sitetest.plan.cases import Turn
from sitetest.store.records import TurnRecord
from sitetest.store.soak_events import SwitchTried
from sitetest.visit.association import FRESH
from sitetest.visit.events import SwitchStarted, TurnStarted
from sitetest.visit.patience import AnswerWait
from sitetest.visit.protocols import Applied, Clock, Keeper, Path, RadioCheck, Switch
from sitetest.visit.soak.outages import Outages
from sitetest.visit.soak.patience import SoakPatience
from sitetest.visit.soak.protocols import PathWatch
from sitetest.visit.soak.soak_announcer import SoakAnnouncer
from sitetest.visit.stoppable import Stoppable
from sitetest.visit.turn_begin import BY_COMMAND, KEPT, ApConfigFacts

_LOOK_AGAIN_S = 0.5
"""Between two looks whether the watch sees the path again."""


@dataclass(frozen=True, slots=True)
class _Command:
    """A command that has worked."""

    attempt: int
    took_s: float
    output: str


@dataclass(frozen=True, slots=True)
class _Return:
    """How the path came back. back_s: None when it did not. why: empty when it did. wrong_radio: the laptop is on
    another radio than the site declares."""

    back_s: float | None
    why: str = ""
    wrong_radio: bool = False


_CUT_SHORT = _Return(None, "the soak ended before the path was back")


class SoakTurns:
    """Begins the turns of one part of a soak. alone: the plan has a single AP config. server: waits for the server
    whose path is watched. switch: None when no AP config has a command. stop: the person's; a command runs to its end
    when the time of the soak is over."""

    def __init__(
        self,
        *,
        visit_id: str,
        alone: bool,
        ap_configs: Mapping[str, ApConfigFacts],
        path: Path,
        switch: Switch | None,
        radio: RadioCheck | None,
        watch: PathWatch,
        outages: Outages,
        server: AnswerWait,
        keeper: Keeper,
        announcer: SoakAnnouncer,
        clock: Clock,
        stop: asyncio.Event,
        stoppable: Stoppable,
        patience: SoakPatience,
    ) -> None:
        self._visit_id = visit_id
        self._alone = alone
        self._ap_configs = ap_configs
        self._path = path
        self._switch = switch
        self._radio = radio
        self._watch = watch
        self._outages = outages
        self._server = server
        self._keeper = keeper
        self._announcer = announcer
        self._clock = clock
        self._stop = stop
        self._stoppable = stoppable
        self._patience = patience

    async def begin(self, turn: Turn) -> TurnRecord | None:
        """Begin a turn, keep that it began, say so and return what was kept; None when the turn is lost.

        Raises Stopped and StoreError.
        """
        command: _Command | None = None
        by_command = self._ap_configs[turn.ap_config].by_command
        if by_command or not self._alone:
            command = await self._apply(turn)
            if command is None:
                return None
        ended_s = self._clock.monotonic_s()
        came = _CUT_SHORT
        try:
            association = await self._stoppable.result_of(self._path.reassociate())
            touched = command is not None or association == FRESH
            came = await self._came_back(turn, ended_s, touched=touched)
        finally:
            if command is not None:
                self._tried(turn, command.attempt, command.took_s, command.output, came, worked=True)
        if came.wrong_radio:
            self._announcer.note("wrong_radio", f"{came.why} Turn {turn.number} is lost; the soak goes on.")
            return None
        if came.back_s is None:
            text = f"{came.why} AP config {turn.ap_config!r} is applied; the soak goes on and waits for the path."
            self._announcer.note("not_back", text)
        record = TurnRecord(
            visit_id=self._visit_id,
            turn=turn.number,
            quad=turn.quad,
            ap_config=turn.ap_config,
            started_at=self._clock.now(),
            association=association,
            switched=KEPT if command is None else BY_COMMAND,
            back_s=came.back_s if touched else None,
        )
        self._keeper.begin_turn(record)
        self._announcer.publish(TurnStarted(turn, association, record.back_s))
        return record

    # --- the command -----------------------------------------------------------------------------------------------

    async def _apply(self, turn: Turn) -> _Command | None:
        """Run the command until it works; None when it does not."""
        self._announcer.switch_started(SwitchStarted(turn, BY_COMMAND))
        problem = ""
        for attempt in range(1, self._patience.apply_tries + 1):
            if attempt > 1:
                await self._stoppable.pause(self._patience.apply_pause_s)
            began_s = self._clock.monotonic_s()
            applied = await self._run(turn)
            took_s = self._clock.monotonic_s() - began_s
            if applied.problem is None:
                return _Command(attempt, took_s, applied.output)
            problem = applied.problem
            self._tried(turn, attempt, took_s, applied.output, _Return(None, problem), worked=False)
            self._stoppable.go_on()
            if self._switch is None:
                break
        text = f"AP config {turn.ap_config!r} was not applied; turn {turn.number} is lost, the soak goes on: {problem}"
        self._announcer.note("not_applied", text)
        return None

    async def _run(self, turn: Turn) -> Applied:
        if self._switch is None:
            return Applied(f"AP config {turn.ap_config!r} has no apply command in site.toml")
        return await self._switch.apply(turn.ap_config, self._stop)

    def _tried(self, turn: Turn, attempt: int, command_s: float, output: str, came: _Return, *, worked: bool) -> None:
        self._announcer.happened(
            SwitchTried(
                turn=turn.number,
                ap_config=turn.ap_config,
                attempt=attempt,
                worked=worked,
                command_s=command_s,
                output=output,
                back_s=came.back_s,
                why=came.why,
            )
        )

    # --- the way back ----------------------------------------------------------------------------------------------

    async def _came_back(self, turn: Turn, ended_s: float, *, touched: bool) -> _Return:
        """Wait for path and radio. ended_s: when the command had ended. touched: the path may be about to go away."""
        back_at_s = await self._answers_for_good(ended_s + self._patience.back_s, touched=touched)
        on_radio_by_s = self._clock.monotonic_s() + self._patience.radio_s
        while self._radio is not None:
            wrong = await self._stoppable.result_of(self._radio.look(turn))
            if wrong is None:
                break
            if self._clock.monotonic_s() >= on_radio_by_s:
                return _Return(None, wrong.sentence, wrong_radio=True)
            await self._stoppable.pause(self._patience.radio_pause_s)
            back_at_s = None if back_at_s is None else self._clock.monotonic_s()
        if back_at_s is None:
            return _Return(None, f"The server did not answer within {self._patience.back_s:g} s of the switch.")
        return _Return(back_at_s - ended_s)

    async def _answers_for_good(self, until_s: float, *, touched: bool) -> float | None:
        """Wait until the server answers, still does a moment later, and the watch has seen it; return since when it
        answers, None when that has not come about in time."""
        while True:
            left_s = until_s - self._clock.monotonic_s()
            if left_s <= 0 or await self._server.seconds_until_answer(left_s) is None:
                return None
            since_s = self._clock.monotonic_s()
            if not touched:
                return since_s
            await self._stoppable.pause(self._patience.settle_s)
            if await self._server.answers():
                break
        seen_by_s = self._clock.monotonic_s() + self._patience.watch_back_s
        while self._watch_sees_none and self._clock.monotonic_s() < seen_by_s:
            await self._stoppable.pause(_LOOK_AGAIN_S)
        return since_s

    @property
    def _watch_sees_none(self) -> bool:
        """Nothing answers the watch, or it has not told yet that an absence is over: it does so once all its probes are
        decided, and would be taken to last."""
        return self._watch.up is False or self._outages.lasting
