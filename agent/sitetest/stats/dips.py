"""Short falls in an unattended series: tests far below what was usual just before and after.

    dip: more than max(3.5 s, ln 1.25) below the running median of 21 tests
    s = 1.05 x 1.4826 x median |y - running median|         1.05: the running median follows the values a little

May import numpy and scipy.ndimage.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from sitetest.stats.outliers import FLOOR_LOG, MAD_TO_SD, SCALES

_WINDOW_TESTS = 21
_FOLLOWING = 1.05

Series = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Dips:
    """positions: of the dips in the series. limit: log units. clipped: the series, with what is further than the limit
    from its running median, above or below, pulled in to it."""

    positions: tuple[int, ...]
    limit: float
    clipped: Series


def find_dips(logs: Sequence[float]) -> Dips:
    """Return the dips in at least one ln(Mbit/s), in order of time."""
    y = np.asarray(logs, dtype=np.float64)
    usual = median_filter(y, size=_WINDOW_TESTS, mode="nearest")
    spread = _FOLLOWING * MAD_TO_SD * float(np.median(np.abs(y - usual)))
    limit = max(SCALES * spread, FLOOR_LOG)
    low = np.flatnonzero(usual - y > limit)
    return Dips(tuple(int(i) for i in low), limit, np.clip(y, usual - limit, usual + limit))
