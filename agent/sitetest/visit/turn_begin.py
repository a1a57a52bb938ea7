"""How a turn begins: its AP config is applied, the laptop associates afresh, the server answers again.

How the AP config is applied:

    has an apply command     the command, at every turn: two turns of one AP config are two independent measurements
                             only if it was applied twice (docs/method.md). With one AP config in the plan, once.
    one AP config in the plan   kept: it is the one that the person named
    the same as before       kept
    somebody is there        the person is asked
    otherwise                it cannot be applied, and the turn is lost; nothing is ever measured under a wrong name

May import plan, store.records, visit and the standard library only.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from sitetest.plan.cases import Plan, Turn
from sitetest.store.records import TurnRecord
from sitetest.visit.announcer import Announcer
from sitetest.visit.association import FRESH, NOT_POSSIBLE, OPERATOR
from sitetest.visit.events import SwitchStarted, TurnStarted
from sitetest.visit.patience import AnswerWait, Patience
from sitetest.visit.protocols import Clock, Keeper, Operator, Path, Switch
from sitetest.visit.stoppable import Stoppable

BY_COMMAND, BY_OPERATOR, KEPT = "command", "operator", "kept"


@dataclass(frozen=True, slots=True)
class ApConfigFacts:
    """What a row says about an AP config beside its name. by_command: it has an apply command, known to the switch."""

    access_point: str
    firmware: str | None = None
    by_command: bool = False


class TurnBegin:
    """Begins the turns of one part of a visit; remembers which AP config is applied."""

    def __init__(
        self,
        *,
        visit_id: str,
        plan: Plan,
        ap_configs: Mapping[str, ApConfigFacts],
        path: Path,
        switch: Switch | None,
        operator: Operator | None,
        patience: Patience,
        server: AnswerWait,
        keeper: Keeper,
        announcer: Announcer,
        clock: Clock,
        stop: asyncio.Event,
        stoppable: Stoppable,
    ) -> None:
        self._visit_id = visit_id
        self._alone = len({turn.ap_config for turn in plan.turns}) == 1
        self._ap_configs = ap_configs
        self._path = path
        self._switch = switch
        self._operator = operator
        self._patience = patience
        self._server = server
        self._keeper = keeper
        self._announcer = announcer
        self._clock = clock
        self._stop = stop
        self._stoppable = stoppable
        self._applied: str | None = None

    async def begin(self, turn: Turn) -> bool:
        """Begin a turn, keep that it began, and say so; False when its AP config could not be applied.

        Raises Stopped and StoreError.
        """
        switched = await self._apply(turn)
        if switched is None:
            return False
        self._applied = turn.ap_config
        association = await self._associate(turn)
        back_s = None
        if switched != KEPT or association in {FRESH, OPERATOR}:
            back_s = await self._wait_for_server()
        record = TurnRecord(
            visit_id=self._visit_id,
            turn=turn.number,
            quad=turn.quad,
            ap_config=turn.ap_config,
            started_at=self._clock.now(),
            association=association,
            switched=switched,
            back_s=back_s,
        )
        self._keeper.begin_turn(record)
        self._announcer.publish(TurnStarted(turn, association, back_s))
        return True

    async def _apply(self, turn: Turn) -> str | None:
        same = self._applied == turn.ap_config
        if self._switch is not None and self._ap_configs[turn.ap_config].by_command:
            if self._alone and same:
                return KEPT
            told = await self._run_command(self._switch, turn)
            if told is None:
                return BY_COMMAND
            what_now = "a person is asked instead" if self._operator else f"turn {turn.number} is lost"
            self._announcer.note("not_applied", f"AP config {turn.ap_config!r} was not applied; {what_now}: {told}")
        elif self._alone or same:
            return KEPT
        elif self._operator is None:
            text = (
                f"AP config {turn.ap_config!r} cannot be applied; turn {turn.number} is lost: it has no apply command "
                "in site.toml, and nobody is there to ask"
            )
            self._announcer.note("not_applied", text)
        if self._operator is None:
            return None
        self._say_switching(turn, BY_OPERATOR)
        self._applied = None
        await self._stoppable.result_of(self._operator.switch_to(turn))
        return BY_OPERATOR

    async def _run_command(self, switch: Switch, turn: Turn) -> str | None:
        """Return None when it worked, otherwise what went wrong the last time."""
        self._say_switching(turn, BY_COMMAND)
        self._applied = None
        problem: str | None = None
        for number in range(self._patience.apply_tries):
            if number:
                await self._stoppable.pause(self._patience.apply_pause_s)
            problem = await switch.apply(turn.ap_config, self._stop)
            self._stoppable.go_on()
            if problem is None:
                break
        return problem

    def _say_switching(self, turn: Turn, by: str) -> None:
        detail = {"turn": turn.number, "ap_config": turn.ap_config, "by": by}
        self._announcer.keep_and_publish(SwitchStarted(turn, by), "switch_started", detail)

    async def _associate(self, turn: Turn) -> str:
        word = await self._stoppable.result_of(self._path.reassociate())
        if word == NOT_POSSIBLE and self._operator is not None:
            done = await self._stoppable.result_of(self._operator.reassociate(turn))
            return OPERATOR if done else word
        return word

    async def _wait_for_server(self) -> float | None:
        limit_s = self._patience.back_s
        back_s = await self._server.seconds_until_answer(limit_s)
        if back_s is None:
            text = f"The server did not answer within {limit_s:g} s of the begin of the turn; measuring all the same."
            self._announcer.note("not_back", text)
        return back_s
