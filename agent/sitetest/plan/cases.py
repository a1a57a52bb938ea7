"""A plan: what will be measured at one location, in which order.

    plan ── turns ── slots
              │        └ one wanted measurement: a case, the n-th repeat of it
              └ a stretch in which one AP config stays applied, begun by a fresh association

Everything here is frozen and is stored with the visit before the first attempt, so that a resumed visit and a reader a
year later see the same order. May import sitetest_wire, stats.rules (plain values) and the standard library only.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from sitetest.stats.rules import RULES_VERSION, ComparisonRules
from sitetest_wire.words import Direction, EngineName


class Leg(StrEnum):
    """Which path is measured."""

    LAN = "lan"
    INTERNET = "internet"


Transfer = tuple[Leg, EngineName, Direction]
"""A case without location and AP config: what is transferred under each of them."""


@dataclass(frozen=True, slots=True, order=True)
class Case:
    """One cell of the matrix at one location. ``ap_config`` is a name of ``site.toml``."""

    location: str
    leg: Leg
    engine: EngineName
    ap_config: str
    direction: Direction

    @property
    def label(self) -> str:
        """Short name for screens: location is left out, since a visit has only one."""
        return f"{self.ap_config} {self.direction} {self.leg} {self.engine}"


@dataclass(frozen=True, slots=True)
class Slot:
    """One wanted measurement. repeat: 1 for the first of its case in the visit."""

    turn: int
    repeat: int
    case: Case

    @property
    def key(self) -> tuple[int, int, Case]:
        """What tells slots of one plan apart."""
        return (self.turn, self.repeat, self.case)


@dataclass(frozen=True, slots=True)
class Turn:
    """A stretch with one AP config applied. number: 1 for the first of the visit. quad: 1 for the first group of turns
    that balances drift (A B B A, or each config once and then in reverse)."""

    number: int
    quad: int
    ap_config: str
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class Timing:
    """How each transfer runs. streams: >= 1; warm_up_s: >= 0; duration_s: > 0; congestion_control: None is default."""

    streams: int
    warm_up_s: float
    duration_s: float
    congestion_control: str | None = None


@dataclass(frozen=True, slots=True)
class PlannedComparison:
    """What is settled about the comparison before the first attempt. With another one begins another campaign.

    reference: the AP config that each of ``others`` is compared with. rules: margin, alpha, family, looks and their
    weights. rules_version: of the method behind them.
    """

    reference: str
    others: tuple[str, ...]
    rules: ComparisonRules
    rules_version: int = RULES_VERSION


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole visit, in order.

    seed: chose the order of each quad. internet_data_bytes: cap on what all internet legs of the visit may move; None
    when there is no internet leg. minimum_turns, maximum_turns: turns wanted of each AP config. comparison: None with
    one AP config, and in plans that were stored as format 1; then ``turns`` are the minimum. With a comparison they are
    the maximum and, where verdicts are sought at all, one quad in reserve for what the last look may ask for.
    """

    site: str
    profile: str
    location: str
    timing: Timing
    seed: int
    turns: tuple[Turn, ...]
    minimum_turns: int
    maximum_turns: int
    internet_data_bytes: int | None = None
    comparison: PlannedComparison | None = None

    @property
    def slots(self) -> tuple[Slot, ...]:
        """Every wanted measurement in order."""
        return tuple(slot for turn in self.turns for slot in turn.slots)

    @property
    def cases(self) -> tuple[Case, ...]:
        """Every case once, in the order in which it first comes."""
        return tuple(dict.fromkeys(slot.case for slot in self.slots))

    @property
    def ap_configs(self) -> tuple[str, ...]:
        """Every AP config once, in the order in which it first comes."""
        return tuple(dict.fromkeys(turn.ap_config for turn in self.turns))

    def first(self, turns_each: int) -> "Plan":
        """Return the plan without the quads that go beyond ``turns_each`` turns of each AP config."""
        quad = turns_each // 2 if self.comparison is not None else turns_each
        return replace(self, turns=tuple(turn for turn in self.turns if turn.quad <= quad))

    def in_reserve(self, turn: Turn) -> bool:
        """Tell whether a turn stands beyond the maximum: it is only run when the last look asks for it."""
        return self.comparison is not None and turn.quad > self.maximum_turns // 2
