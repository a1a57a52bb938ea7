"""The two sides of a comparison, out of turns in the order in which they ran.

    turns of A and B ──> those that no fresh association began go on with the one before
                     ──> do the two alternate? otherwise each stretch of one of them is one turn
                     ──> CaseTurns of A, CaseTurns of B

The conductor after each quad, and ``compare`` a year later, both come through here. Pure; the source of the turns is
theirs. May import sitetest.stats and the standard library only.
"""

from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import fsum
from operator import itemgetter

from sitetest.stats.alternation import counted_turns
from sitetest.stats.turn_value import TurnValue
from sitetest.stats.turns import CaseTurns

NO_ASSOCIATION = "not_possible"
"""The word of column ``association`` for a turn that no fresh association began."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of one case.

    level: name of the configuration. visit_id: "" where a file states none. number: in its visit; of a typed file, the
    place of its row below the header. log_mbps: mean over its valid attempts, None without one. failed: share of its
    attempts, the invalid ones left out, that failed. attempts, invalid: how many; reasons: of the invalid ones. began:
    as text, "" when not stated. quad: None when not stated.
    """

    level: str
    visit_id: str
    number: int
    quad: int | None
    began: str
    log_mbps: float | None
    failed: float
    attempts: int
    invalid: int
    reasons: tuple[str, ...] = ()

    @property
    def lost(self) -> bool:
        """Whether every attempt in it was invalid."""
        return self.log_mbps is None and not self.failed


@dataclass(frozen=True, slots=True)
class Sides:
    """interleaved: whether the two alternated, None when that is assumed."""

    interleaved: bool | None
    a: CaseTurns
    b: CaseTurns


@dataclass(frozen=True, slots=True)
class TurnHead:
    """How one turn began. visit: what tells visits apart. fresh: a fresh association began it."""

    visit: Hashable
    number: int
    ap_config: str
    fresh: bool


def whole_turns(heads: Iterable[TurnHead]) -> dict[tuple[Hashable, int], int]:
    """Return for each turn, by visit and number, the number of the turn that it is counted with: its own, or that of
    the one before it where it has the same AP config and no fresh association. heads: in the order in which they ran.
    """
    whole: dict[tuple[Hashable, int], int] = {}
    before: TurnHead | None = None
    for head in heads:
        goes_on = (
            before is not None
            and not head.fresh
            and (before.visit, before.ap_config)
            == (
                head.visit,
                head.ap_config,
            )
        )
        whole[head.visit, head.number] = (
            whole[before.visit, before.number] if goes_on and before is not None else head.number
        )
        before = head
    return whole


def side_by_side(turns: Sequence[Turn], names: tuple[str, str], *, order_known: bool = True) -> Sides:
    """Put the turns of two configurations side by side. Where they did not alternate, each stretch is one turn.

    ``comparing/side_by_side.py`` does the same for turns in columns.
    """
    numbered = list(enumerate(turns, start=1))
    if not order_known:
        return Sides(None, *_cases(numbered, names))
    counted = counted_turns(_letters(turns, names))
    if counted is not None:
        return Sides(True, *_cases(numbered[:counted], names))
    return Sides(False, *_cases(list(zip(_stretch_numbers(turns), turns, strict=True)), names))


def case_of(turns: Iterable[tuple[int, Turn]]) -> CaseTurns:
    """Return what the statistics take from turns in order, each with the number that it is to have. Turns of one
    number are put together: the mean of their values, failed as much as the one that failed most."""
    attempts = invalid = 0
    reasons: Counter[str] = Counter()
    values: list[TurnValue] = []
    for number, together in groupby(turns, key=itemgetter(0)):
        logs: list[float] = []
        failed = 0.0
        for _, turn in together:
            attempts += turn.attempts
            invalid += turn.invalid
            failed = max(failed, turn.failed)
            if turn.reasons:
                reasons.update(turn.reasons)
            if turn.log_mbps is not None:
                logs.append(turn.log_mbps)
        if logs or failed:
            values.append(TurnValue(number, fsum(logs) / len(logs) if logs else None, failed))
    return CaseTurns(
        tuple(values), attempts, invalid, tuple(sorted(reasons.items(), key=lambda item: (-item[1], item[0])))
    )


def _cases(numbered: Sequence[tuple[int, Turn]], names: tuple[str, str]) -> tuple[CaseTurns, CaseTurns]:
    a, b = (case_of((number, turn) for number, turn in numbered if turn.level == name) for name in names)
    return a, b


def _letters(turns: Sequence[Turn], names: tuple[str, str]) -> str:
    letters = ["a" if turn.level == names[0] else "b" for turn in turns]
    return "".join(letter if turn.lost else letter.upper() for letter, turn in zip(letters, turns, strict=True))


def _stretch_numbers(turns: Sequence[Turn]) -> list[int]:
    numbers: list[int] = []
    for number, (_, same) in enumerate(groupby(turns, key=lambda turn: turn.level), start=1):
        numbers += [number] * len(list(same))
    return numbers
