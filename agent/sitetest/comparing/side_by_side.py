"""The turns of two configurations side by side: did they alternate, and what does each deliver?

Promises: where they did not alternate, each stretch of one of them is one turn. May import stats, comparing and numpy
(inside functions).
"""

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sitetest.comparing.case_turns import RanTurns
from sitetest.stats.alternation import counted_turns
from sitetest.stats.sequences import compact, total
from sitetest.stats.sides import Sides
from sitetest.stats.turn_columns import TurnColumns
from sitetest.stats.turn_value import TurnValue
from sitetest.stats.turns import CaseTurns

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sitetest.comparing.case_turns import Integers


def side_by_side(both: RanTurns, names: tuple[str, str], *, order_known: bool) -> Sides:
    """Put the turns of two configurations side by side, as ``stats/sides.py`` does for turns one by one."""
    import numpy as np  # noqa: PLC0415

    counted = counted_turns(both.letters(names[0])) if order_known else len(both)
    if counted is None:
        numbers = np.cumsum(np.diff(both.level, prepend=both.level[:1]) != 0, dtype=np.int32) + 1
        a, b = (_case(both, name, numbers, stretches=True) for name in names)
        return Sides(False, a, b)
    taken = both if counted == len(both) else both.only(slice(counted))
    numbers = np.arange(1, len(taken) + 1, dtype=np.int32)
    a, b = (_case(taken, name, numbers, stretches=False) for name in names)
    return Sides(True if order_known else None, a, b)


def logs_of(both: RanTurns, name: str) -> Sequence[float]:
    """Return ln(Mbit/s) of every turn of one configuration that has a value, in order."""
    import numpy as np  # noqa: PLC0415

    logs = both.log_mbps[both.level == both.place_of(name)]
    return compact(logs[~np.isnan(logs)])


def _case(both: RanTurns, name: str, numbers: "Integers", *, stretches: bool) -> CaseTurns:
    import numpy as np  # noqa: PLC0415

    own = both.level == both.place_of(name)
    logs, failed, numbers = both.log_mbps[own], both.failed[own], numbers[own]
    kept = ~np.isnan(logs) | (failed > 0)
    logs, failed, numbers = logs[kept], failed[kept], numbers[kept]
    invalid = int(both.invalid[own].sum())
    reasons: Counter[str] = Counter()
    if invalid:
        there = set(zip(both.visit[own].tolist(), both.number[own].tolist(), strict=True))
        told = both.reasons.get(both.place_of(name), ())
        reasons.update(reason for visit, turn, reason in told if (visit, turn) in there)
    return CaseTurns(
        turns=_stretches(numbers, logs, failed) if stretches else TurnColumns(numbers, logs, failed),
        attempts=int(both.attempts[own].sum()),
        invalid=invalid,
        invalid_reasons=tuple(sorted(reasons.items(), key=lambda item: (-item[1], item[0]))),
    )


def _stretches(
    numbers: "Integers", logs: "NDArray[np.float64]", failed: "NDArray[np.float64 | np.bool_]"
) -> tuple[TurnValue, ...]:
    """Put the turns of one number together: the mean of their values, failed as much as the one that failed most."""
    import numpy as np  # noqa: PLC0415

    borders = (np.diff(numbers).nonzero()[0] + 1).tolist()
    turns = []
    for start, end in zip([0, *borders], [*borders, len(numbers)], strict=True):
        if start == end:
            continue
        piece = logs[start:end]
        values = compact(piece[~np.isnan(piece)])
        log = total(values) / len(values) if values else None
        turns.append(TurnValue(int(numbers[start]), log, float(failed[start:end].max())))
    return tuple(turns)
