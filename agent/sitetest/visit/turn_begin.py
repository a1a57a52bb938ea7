"""How a turn begins: its AP config is applied, the laptop associates afresh, the server answers again.

How the AP config is applied:

    has an apply command     the command, at every turn: two turns of one AP config are two independent measurements
                             only if it was applied twice (docs/method.md). With one AP config in the plan, once.
    one AP config in the plan   kept: it is the one that the person named
    the same as before       kept
    somebody is there        the person is asked
    otherwise                it cannot be applied, and the turn is lost; nothing is ever measured under a wrong name

Then, before the first transfer, the radio that the laptop is on is held against what the site declares. What differs
stops the run with a question:

    somebody is there        they look again, go on all the same (kept, and in doubt), or stop. Going on is not asked
                             again while the laptop stays on that same radio
    nobody is there          looked at again a few times, since a laptop may come back by itself. Then WrongRadio ends
                             the run (exit code 2): either the site's file or the room is wrong, and a night of
                             measuring would not mend it. Where the AP config was seen as declared earlier in this
                             part of the visit, the file is right, and only the turn is lost

May import plan, store.records, errors, visit and the standard library only.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from sitetest.errors import NotApplied, WrongRadio
from sitetest.plan.cases import Plan, Turn
from sitetest.store.records import TurnRecord
from sitetest.visit.announcer import Announcer
from sitetest.visit.association import FRESH, NOT_POSSIBLE, OPERATOR
from sitetest.visit.events import SwitchStarted, TurnStarted
from sitetest.visit.expected_radio import Mismatch
from sitetest.visit.patience import AnswerWait, Patience
from sitetest.visit.protocols import Clock, Keeper, Operator, Path, RadioAnswer, RadioCheck, Switch
from sitetest.visit.stoppable import Stoppable

BY_COMMAND, BY_OPERATOR, KEPT = "command", "operator", "kept"

FAILURES_ENOUGH = 2
"""Turns in which an apply command may fail before the run ends, as long as it has never worked. Each has several tries
of its own. Our own choice."""


@dataclass(frozen=True, slots=True)
class ApConfigFacts:
    """What a row says about an AP config beside its name. by_command: it has an apply command, known to the switch."""

    access_point: str
    firmware: str | None = None
    by_command: bool = False


class TurnBegin:
    """Begins the turns of one part of a visit; remembers which AP config is applied.

    radio: None where nothing is declared, or nothing can look. accepted: what the person was told about the radio of
    the turn that began last, and went on with; None: nothing.
    """

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
        radio: RadioCheck | None = None,
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
        self._radio = radio
        self._applied: str | None = None
        self._failed_turns: dict[str, int | None] = {}  # by AP config; None once its command has worked
        self._seen_as_declared: set[str] = set()
        self._gone_on_with: dict[str, Mismatch] = {}
        self.accepted: str | None = None

    async def begin(self, turn: Turn) -> TurnRecord | None:
        """Begin a turn, keep that it began, say so and return what was kept; None when its AP config could not be
        applied, or the laptop is not on its radio.

        Raises Stopped, NotApplied, WrongRadio and StoreError.
        """
        switched = await self._apply(turn)
        if switched is None:
            return None
        self._applied = turn.ap_config
        association = await self._associate(turn)
        back_s = None
        if switched != KEPT or association in {FRESH, OPERATOR}:
            back_s = await self._wait_for_server()
        if not await self._on_the_declared_radio(turn):
            return None
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
        return record

    async def _apply(self, turn: Turn) -> str | None:
        same = self._applied == turn.ap_config
        if self._switch is not None and self._ap_configs[turn.ap_config].by_command:
            if self._alone and same:
                return KEPT
            told = await self._run_command(self._switch, turn)
            if told is None:
                self._failed_turns[turn.ap_config] = None
                return BY_COMMAND
            what_now = "a person is asked instead" if self._operator else f"turn {turn.number} is lost"
            self._announcer.note("not_applied", f"AP config {turn.ap_config!r} was not applied; {what_now}: {told}")
            if self._operator is None:
                self._count_failure(turn, told)
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

    def _count_failure(self, turn: Turn, told: str) -> None:
        """Raise NotApplied when the command has failed in FAILURES_ENOUGH turns and never worked: the other turns would
        be lost as well. Once it has worked, an access point may only be away for a while."""
        failed = self._failed_turns.get(turn.ap_config, 0)
        if failed is None:
            return
        self._failed_turns[turn.ap_config] = failed + 1
        if failed + 1 >= FAILURES_ENOUGH:
            raise NotApplied(
                f"AP config {turn.ap_config!r} could not be applied in {FAILURES_ENOUGH} turns, and never was: {told}",
                "Try its apply command by hand, correct it in profiles/site.toml, then go on with --resume. "
                "Without --yes the run asks for the switch by hand instead of ending.",
            )

    async def _run_command(self, switch: Switch, turn: Turn) -> str | None:
        """Return None when it worked, otherwise what went wrong the last time."""
        self._say_switching(turn, BY_COMMAND)
        self._applied = None
        problem: str | None = None
        for number in range(self._patience.apply_tries):
            if number:
                await self._stoppable.pause(self._patience.apply_pause_s)
            problem = (await switch.apply(turn.ap_config, self._stop)).problem
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

    async def _on_the_declared_radio(self, turn: Turn) -> bool:
        self.accepted = None
        looks = 0
        while self._radio is not None:
            wrong = await self._stoppable.result_of(self._radio.look(turn))
            if wrong is None:
                self._seen_as_declared.add(turn.ap_config)
                break
            looks += 1
            if self._operator is not None:
                if await self._goes_on_with(turn, wrong, self._operator):
                    self.accepted = wrong.sentence
                    break
            elif looks < self._patience.apply_tries:
                await self._stoppable.pause(self._patience.apply_pause_s)
            else:
                self._nobody_to_ask_about(turn, wrong)
                return False
        return True

    async def _goes_on_with(self, turn: Turn, wrong: Mismatch, operator: Operator) -> bool:
        """Ask, unless the person has gone on with just this before; False: to be looked at again. Raises Stopped."""
        if wrong == self._gone_on_with.get(turn.ap_config):
            return True
        answer = await self._stoppable.result_of(operator.wrong_radio(turn, wrong))
        self._announcer.note("wrong_radio", f"{wrong.sentence} The answer was: {answer.value}.")
        if answer is RadioAnswer.STOP:
            self._stop.set()
        self._stoppable.go_on()
        if answer is RadioAnswer.GO_ON:
            self._gone_on_with[turn.ap_config] = wrong
        return answer is RadioAnswer.GO_ON

    def _nobody_to_ask_about(self, turn: Turn, wrong: Mismatch) -> None:
        self._applied = None
        if turn.ap_config in self._seen_as_declared:
            self._announcer.note("wrong_radio", f"{wrong.sentence} Nobody is there to ask; turn {turn.number} is lost.")
            return
        self._announcer.note("wrong_radio", f"{wrong.sentence} Nobody is there to ask: the run ends.")
        raise WrongRadio(
            f"{wrong.sentence} Nothing was measured under a wrong name.",
            "Put the laptop on the declared access point, or correct profiles/site.toml; then go on with --resume. "
            "Without --yes the run asks instead of ending.",
        )
