"""Text columns as numbers: each different text once, and for every row which one it is.

What is asked of a text is asked of the few different ones; a million rows are touched as small integers only.
May import numpy and pandas (inside functions).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from pandas import Index, Series


TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.%f+00:00"


@dataclass(frozen=True, slots=True)
class Coded:
    """names: the different texts, sorted, without those that no row has. codes: place in names, for every row."""

    codes: "NDArray[np.integer[Any]]"
    names: tuple[str, ...]

    def rows_with(self, name: str) -> "NDArray[np.bool_]":
        """Return which rows have ``name``."""
        import numpy as np  # noqa: PLC0415

        if name not in self.names:
            return np.zeros(len(self.codes), dtype=bool)
        rows: NDArray[np.bool_] = self.codes == self.names.index(name)
        return rows

    def as_column(self, index: "Index[Any]") -> "Series[Any]":
        """Return the texts as a column of categories."""
        import pandas as pd  # noqa: PLC0415

        return pd.Series(pd.Categorical.from_codes(self.codes, pd.Index(self.names, dtype="str")), index=index)


def coded(cells: "Series[Any]", change: Callable[[str], str] = str) -> Coded:
    """Return a column of texts as codes, after ``change`` of each text; "" where nothing is stated."""
    import numpy as np  # noqa: PLC0415
    import pandas as pd  # noqa: PLC0415

    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        cells = cells.dt.strftime(TIME_FORMAT)
    if isinstance(cells.dtype, pd.CategoricalDtype):
        codes, texts = cells.cat.codes.to_numpy(), list(map(str, cells.cat.categories))
    else:
        codes, uniques = pd.factorize(cells)
        texts = list(map(str, uniques))
    texts.append("")  # for code -1, not stated
    seen = np.zeros(len(texts), dtype=bool)
    seen[codes] = True
    changed = [change(text) for text in texts]
    names = tuple(sorted({changed[place] for place in seen.nonzero()[0]}))
    place_of = {name: place for place, name in enumerate(names)}
    small = np.min_scalar_type(len(names))
    lookup = np.array([place_of.get(text, 0) for text in changed], dtype=small)
    return Coded(lookup[codes], names)


def constant(text: str, size: int) -> Coded:
    """Return a column that has the same text in every row."""
    import numpy as np  # noqa: PLC0415

    return Coded(np.zeros(size, dtype=np.uint8), (text,))


def together(columns: "Sequence[Coded]", size: int) -> "tuple[NDArray[np.integer[Any]], list[tuple[str, ...]]]":
    """Return for every row the number of its combination of texts, and the combinations that there are, sorted."""
    import numpy as np  # noqa: PLC0415

    combined: NDArray[np.integer[Any]] = np.zeros(size, dtype=np.uint8)
    names: list[tuple[str, ...]] = [()]
    for column in columns:
        width = len(column.names)
        places = combined.astype(np.int64) * width + column.codes
        present = np.bincount(places, minlength=len(names) * width).nonzero()[0]
        renumbered = np.zeros(len(names) * width, dtype=np.min_scalar_type(len(present)))
        renumbered[present] = np.arange(len(present))
        combined = renumbered[places]
        names = [(*names[place // width], column.names[place % width]) for place in present.tolist()]
    return combined, names
