"""Where the values of a night lie. Pure. May import numpy."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Percentiles:
    """5th, 50th and 95th of n values (numpy's default: linear between neighbours)."""

    p5: float
    p50: float
    p95: float
    n: int


def percentiles(values: Iterable[float | None]) -> Percentiles | None:
    """Return the percentiles of what is known; None when nothing is. Not known: None, or not a number."""
    known = np.array([value for value in values if value is not None], dtype=np.float64)
    known = known[~np.isnan(known)]
    if not len(known):
        return None
    p5, p50, p95 = np.percentile(known, [5, 50, 95])
    return Percentiles(float(p5), float(p50), float(p95), len(known))
