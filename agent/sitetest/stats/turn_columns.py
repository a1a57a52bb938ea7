"""Turns kept as columns: what a table with very many of them needs, where a record each would take too long.

Imports nothing of numpy: the arrays come with it. May import sitetest.stats.
"""

from collections.abc import Sequence
from math import isnan
from typing import TYPE_CHECKING, Any, overload

from sitetest.stats.sequences import compact
from sitetest.stats.turn_value import TurnValue

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class TurnColumns(Sequence[TurnValue]):
    """A sequence of turns, valid or failed. numbers: of each turn; logs: mean ln(Mbit/s), NaN without a valid attempt;
    failed: share of its attempts that failed, or whether its only one did. All of one length; not copied."""

    __slots__ = ("_failed", "_logs", "_numbers")

    def __init__(
        self,
        numbers: "NDArray[np.integer[Any]]",
        logs: "NDArray[np.float64]",
        failed: "NDArray[np.floating[Any] | np.bool_]",
    ) -> None:
        self._numbers, self._logs, self._failed = numbers, logs, failed

    def __len__(self) -> int:
        return len(self._numbers)

    @overload
    def __getitem__(self, index: int) -> TurnValue: ...

    @overload
    def __getitem__(self, index: slice) -> "TurnColumns": ...

    def __getitem__(self, index: int | slice) -> "TurnValue | TurnColumns":
        if isinstance(index, slice):
            return TurnColumns(self._numbers[index], self._logs[index], self._failed[index])
        log = float(self._logs[index])
        return TurnValue(int(self._numbers[index]), None if isnan(log) else log, float(self._failed[index]))

    def valid_logs(self) -> Sequence[float]:
        """Return ln(Mbit/s) of the valid turns in order."""
        return compact(self._logs[self._valid])

    def valid(self) -> "TurnColumns":
        """Return the turns that have a value, in order."""
        has = self._valid
        return TurnColumns(self._numbers[has], self._logs[has], self._failed[has])

    @property
    def _valid(self) -> "NDArray[np.bool_]":
        valid: NDArray[np.bool_] = self._logs == self._logs  # NaN is no number's equal, not even its own
        return valid

    def count_failed(self) -> int:
        """Return in how many an attempt failed."""
        return int((self._failed > 0).sum())

    def sum_failed(self) -> float:
        """Return the sum of the shares of failed attempts."""
        return float(self._failed.sum())
