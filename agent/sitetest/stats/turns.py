"""From attempts to turns: the only unit that the statistics count.

    attempt ──> turn ──> case
    one transfer  mean of ln(Mbit/s)   every turn of one configuration at one location,
                  over its valid ones  in one direction

Promises: seconds, streams and attempts never raise n. An invalid attempt enters no value and is counted; a failed one
is a result, is counted and is never retried away: a turn in which any attempt failed is a failed turn, and if it also
has valid ones it keeps its value. May import sitetest.stats.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import fsum, isfinite, log

from sitetest.stats.turn_columns import TurnColumns
from sitetest.stats.turn_value import TurnValue


class Outcome(StrEnum):
    """What an attempt says about its configuration."""

    VALID = "valid"
    FAILED = "failed"  # the configuration did not deliver: a result
    INVALID = "invalid"  # it did not measure this case (interrupted ones belong here)


@dataclass(frozen=True, slots=True)
class TurnAttempt:
    """One attempt as the statistics see it.

    turn: number of its turn. throughput_mbps: the figure of record, finite and above zero for a valid attempt; not
    looked at otherwise. reason: the flag or fault that made it invalid or failed.
    """

    turn: int
    outcome: Outcome
    throughput_mbps: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CaseTurns:
    """All that the statistics know of one case.

    turns: valid or failed ones in order; a turn that only has invalid attempts is lost and not among them.
    attempts: all of them; invalid: how many were invalid, invalid_reasons: by reason, most frequent first.
    """

    turns: Sequence[TurnValue]
    attempts: int
    invalid: int = 0
    invalid_reasons: tuple[tuple[str, int], ...] = ()

    @property
    def logs(self) -> Sequence[float]:
        """ln(Mbit/s) of the valid turns in order."""
        if isinstance(self.turns, TurnColumns):
            return self.turns.valid_logs()
        return tuple(turn.log_mbps for turn in self.turns if turn.log_mbps is not None)

    @property
    def valid_turns(self) -> Sequence[TurnValue]:
        """The turns that have a value, in order."""
        if isinstance(self.turns, TurnColumns):
            return self.turns.valid()
        return tuple(turn for turn in self.turns if turn.log_mbps is not None)

    @property
    def failed(self) -> int:
        """Failed turns."""
        if isinstance(self.turns, TurnColumns):
            return self.turns.count_failed()
        return sum(turn.failed > 0 for turn in self.turns)

    @property
    def failed_whole(self) -> float:
        """What failed, in whole turns: a turn in which one of four attempts failed is a quarter."""
        if isinstance(self.turns, TurnColumns):
            return self.turns.sum_failed()
        return fsum(turn.failed for turn in self.turns)

    def first(self, count: int) -> "CaseTurns":
        """Return the case as it was after its first ``count`` turns; attempt counts stay those of the whole."""
        return CaseTurns(self.turns[:count], self.attempts, self.invalid, self.invalid_reasons)


def _log_of(attempt: TurnAttempt) -> float:
    value = attempt.throughput_mbps
    if value is None or not isfinite(value) or value <= 0:
        raise ValueError(
            f"a valid attempt needs a finite throughput above 0 Mbit/s, but turn {attempt.turn} has {value}; "
            "an attempt without payload is a failed one"
        )
    return log(value)


def case_from_attempts(attempts: Iterable[TurnAttempt]) -> CaseTurns:
    """Return the turns of one case from its attempts, in any order.

    Raises ValueError for a valid attempt without a finite throughput above zero.
    """
    logs: defaultdict[int, list[float]] = defaultdict(list)
    failed: Counter[int] = Counter()
    invalid: Counter[str] = Counter()
    total = 0
    for attempt in attempts:
        total += 1
        if attempt.outcome is Outcome.VALID:
            logs[attempt.turn].append(_log_of(attempt))
        elif attempt.outcome is Outcome.FAILED:
            failed[attempt.turn] += 1
        else:
            invalid[attempt.reason] += 1
    turns = tuple(
        TurnValue(
            turn,
            fsum(logs[turn]) / len(logs[turn]) if turn in logs else None,
            failed[turn] / (failed[turn] + len(logs.get(turn, ()))),
        )
        for turn in sorted(logs.keys() | failed.keys())
    )
    reasons = sorted(invalid.items(), key=lambda item: (-item[1], item[0]))
    return CaseTurns(turns, total, invalid.total(), tuple(reasons))


def case_from_values(throughputs_mbps: Iterable[float]) -> CaseTurns:
    """Return a case in which each value (Mbit/s) is the only attempt of its own turn, in the order given.

    Raises ValueError for a value that is not finite and above zero.
    """
    return case_from_attempts(
        TurnAttempt(turn, Outcome.VALID, value) for turn, value in enumerate(throughputs_mbps, start=1)
    )
