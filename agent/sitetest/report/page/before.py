"""What an earlier site, or an earlier export, gave beside this one: counts and medians, case by case.

Nothing alternated between then and now, so that nothing here is a verdict. May import comparing, store, errors and the
standard library only; pandas comes with it.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from sitetest.comparing.attempt_table import AttemptTable
from sitetest.comparing.data_file import read_data_file
from sitetest.comparing.site_data import read_site, table_of
from sitetest.errors import UsageError
from sitetest.store.reading import STORE_NAME, store_path
from sitetest.store.tidy import Facts

CaseName = tuple[str, str, str, str, str]
"""Location, direction, leg, engine, AP config; "" where a file does not state it."""

Typical = Mapping[CaseName, tuple[int, float]]
"""Counted attempts of a case, and their median in Mbit/s."""

_COLUMNS = ("location", "direction", "leg", "engine", "ap_config")


def typical_of(facts: Sequence[Facts], source: str) -> Typical:
    """Return the cases of kept attempts."""
    return _typical(table_of(facts, source))


def typical_before(path: Path) -> Typical:
    """Return the cases of a site's folder, a store, or a table of attempts (CSV, Parquet).

    Raises UsageError when there is nothing of the kind, DataFileError and StoreError for what cannot be read."""
    if path.is_dir():
        if store_path(path).is_file():
            return _typical(read_site(store_path(path)))
        if (path / "attempts.csv").is_file():
            return _typical(read_data_file(path / "attempts.csv", _COLUMNS))
        raise UsageError(
            f"--baseline {path}: found neither results/{STORE_NAME} nor attempts.csv.",
            "Name the folder of an earlier site or export, or a table of attempts.",
        )
    return _typical(read_site(path) if path.suffix == ".sqlite" else read_data_file(path, _COLUMNS))


def _typical(table: AttemptTable) -> Typical:
    frame = table.frame
    if "counted" in frame:
        frame = frame[frame["counted"].astype(str) != "false"]
    frame = frame[frame["throughput_mbps"] > 0]
    keys = [frame[name].astype(str) if name in frame else "" for name in _COLUMNS]
    cells = frame.assign(**dict(zip(_COLUMNS, keys, strict=True)))
    groups = cells.groupby(list(_COLUMNS), sort=False, observed=True)["throughput_mbps"]
    return {
        tuple(map(str, name)): (int(count), float(middle))  # type: ignore[misc]
        for name, count, middle in zip(groups.size().index, groups.size(), groups.median(), strict=True)
    }
