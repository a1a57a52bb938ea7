"""When attempts began, as numbers that sort like the times: of a column of times, or of texts as they stand.

May import comparing.coded and pandas (inside functions).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sitetest.comparing.coded import TIME_FORMAT, coded

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from pandas import Series


@dataclass(frozen=True, slots=True)
class Moments:
    """ranks: one a row, rising with time. blank: rank where nothing is stated, the smallest of all. text_of: a rank as
    text."""

    ranks: "NDArray[np.integer[Any]]"
    blank: int
    text_of: Callable[[int], str]


def moments(cells: "Series[Any]") -> Moments:
    """Return the times of a column: real times, or texts, which are taken in their order as texts."""
    import numpy as np  # noqa: PLC0415
    import pandas as pd  # noqa: PLC0415

    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        ranks = cells.dt.as_unit("us").to_numpy(dtype="datetime64[us]").view(np.int64)
        return Moments(ranks, np.iinfo(np.int64).min, _time_text)  # not a time, as numpy has it
    texts = coded(cells)
    return Moments(texts.codes, 0 if "" in texts.names else -1, lambda rank: texts.names[rank])


def never(size: int) -> Moments:
    """Return a column in which nothing is stated."""
    import numpy as np  # noqa: PLC0415

    return Moments(np.zeros(size, dtype=np.uint8), 0, lambda _: "")


def _time_text(microseconds: int) -> str:
    import pandas as pd  # noqa: PLC0415

    return pd.Timestamp(microseconds, unit="us").strftime(TIME_FORMAT)
