"""Sums and medians of a few values or of many.

A case has four to a dozen turns, and plain Python is fastest there; a table without turns may have a million rows,
each a turn of its own, and there numpy is. Both ways give the same: sums are rounded once (few) or kept with a longer
mantissa where the machine has one (many), so that neither depends on the order of the values.

May import the standard library and, inside functions, numpy.
"""

from array import array
from collections.abc import Sequence
from math import fsum
from statistics import median, median_high
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

MANY = 256
"""From this number of values on, numpy does the work."""


def total(values: Sequence[float]) -> float:
    """Return the sum."""
    if len(values) < MANY:
        return fsum(values)
    from numpy import longdouble  # noqa: PLC0415

    return float(_array(values).sum(dtype=longdouble))


def squares_about(values: Sequence[float], centre: float) -> float:
    """Return the sum of the squared distances from ``centre``."""
    if len(values) < MANY:
        return fsum((value - centre) ** 2 for value in values)
    from numpy import longdouble  # noqa: PLC0415

    return float(((_array(values) - centre) ** 2).sum(dtype=longdouble))


def middle(values: Sequence[float], *more: Sequence[float]) -> float:
    """Return the median of at least one value; of several sequences, that of all their values together."""
    if len(values) + sum(map(len, more)) < MANY:
        return median([*values, *(value for one in more for value in one)])
    import numpy as np  # noqa: PLC0415

    return float(np.median(np.concatenate([_array(one) for one in (values, *more)])))


def upper_middle(values: Sequence[float]) -> float:
    """Return the median, or the larger of the two values in the middle."""
    if len(values) < MANY:
        return median_high(values)
    import numpy as np  # noqa: PLC0415

    place = len(values) // 2
    return float(np.partition(_array(values), place)[place])


def distances(values: Sequence[float], centre: float) -> Sequence[float]:
    """Return how far each value lies from ``centre``."""
    if len(values) < MANY:
        return [abs(value - centre) for value in values]
    return compact(abs(_array(values) - centre))


def above(values: Sequence[float], bound: float) -> tuple[int, ...]:
    """Return the positions of the values above ``bound``, ascending."""
    if len(values) < MANY:
        return tuple(place for place, value in enumerate(values) if value > bound)
    return tuple((_array(values) > bound).nonzero()[0].tolist())


def within(values: Sequence[float], low: float, high: float) -> Sequence[float]:
    """Return the values with those below ``low`` and above ``high`` moved to it."""
    if len(values) < MANY:
        return tuple(min(max(value, low), high) for value in values)
    return compact(_array(values).clip(low, high))


def reaching(values: Sequence[float], bound: float) -> int:
    """Return how many values are ``bound`` or more."""
    if len(values) < MANY:
        return sum(value >= bound for value in values)
    return int((_array(values) >= bound).sum())


def compact(values: "NDArray[float64]") -> Sequence[float]:
    """Return an array as a plain sequence of floats: a tuple of few, ``array('d')`` of many."""
    if len(values) < MANY:
        return tuple(values.tolist())
    return array("d", values.tobytes())


def _array(values: Sequence[float]) -> "NDArray[float64]":
    """No copy is made of an ``array('d')``."""
    import numpy as np  # noqa: PLC0415

    return np.asarray(values, dtype=np.float64)
