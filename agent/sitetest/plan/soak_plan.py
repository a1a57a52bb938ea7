"""The plan of a soak: rounds of one matrix, again and again, until a time is over.

    turn     AP config applied, ``turn_s`` long (one AP config: one turn for the whole night)
      round  every transfer of the matrix once; a round begins every ``every_s``
        slot   one transfer; its repeat is the number of the round in the soak

The order of the turns is that of quads (A B B A or B A A B, as the seed says), without end: the night decides how many
there are. The order inside a round is as listed in odd rounds of a turn and the reverse in even ones.

Pure. May import sitetest_wire, plan, stats.rules, errors and the standard library only.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sitetest.plan.cases import Case, PlannedComparison, Slot, Timing, Transfer, Turn
from sitetest.plan.turn_order import turn_order

__all__ = ["SoakPlan", "Transfer"]


@dataclass(frozen=True, slots=True)
class SoakPlan:
    """What was settled before the first test. until, rounds: exactly one is given. every_s: from one round's begin to
    the next one's. turn_s: how long an AP config stays; without effect for a single one. most_busy_share: of
    the time, 0 to 1, that tests may take: a round that follows too soon is put off. data_bytes: cap on what all tests
    of the soak may move; None: no cap. internet_data_bytes: the same for its internet leg; None without one."""

    site: str
    profile: str
    location: str
    timing: Timing
    seed: int
    ap_configs: tuple[str, ...]
    transfers: tuple[Transfer, ...]
    every_s: float
    turn_s: float
    most_busy_share: float
    until: datetime | None
    rounds: int | None
    data_bytes: int | None = None
    internet_data_bytes: int | None = None
    comparison: PlannedComparison | None = None

    @property
    def cases(self) -> tuple[Case, ...]:
        """Every case of the soak."""
        return tuple(self._case(transfer, config) for config in self.ap_configs for transfer in self.transfers)

    def turns(self) -> Iterator[Turn]:
        """Yield the turns in order, without end and without slots."""
        for number, (quad, ap_config) in enumerate(turn_order(self.ap_configs, self.seed), start=1):
            yield Turn(number, quad, ap_config, ())

    def slots(self, turn: Turn, round_in_turn: int, round_number: int) -> tuple[Slot, ...]:
        """Return the transfers of a round in order. round_in_turn: 1 for the first of the turn. round_number: in the
        whole soak; becomes the slots' repeat."""
        order = self.transfers if round_in_turn % 2 == 1 else self.transfers[::-1]
        return tuple(Slot(turn.number, round_number, self._case(transfer, turn.ap_config)) for transfer in order)

    def _case(self, transfer: Transfer, ap_config: str) -> Case:
        leg, engine, direction = transfer
        return Case(self.location, leg, engine, ap_config, direction)
