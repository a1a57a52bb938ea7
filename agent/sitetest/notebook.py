"""For notebooks: a site or an export as tidy pandas frames, and the functions of the commands.

    from sitetest.notebook import open_site
    shop = open_site("my-site")
    shop.attempts.groupby(["location", "ap_config"]).throughput_mbps.median()
    shop.compare("ap_config", "auto", "wide80").pairs

Reads and never starts or changes anything; a run may go on meanwhile. Columns, units and meanings are those of
docs/columns.md, and stand in ``frame.attrs``. May import comparing, nights, store, errors and, inside, pandas; nothing
that measures.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sitetest.errors import UsageError
from sitetest.store.export_tables import EXPORT_TABLES, ExportTable
from sitetest.store.fields import Field
from sitetest.store.reading import STORE_NAME, StoreReader, store_path

if TYPE_CHECKING:
    from pandas import DataFrame

    from sitetest.comparing.attempt_table import AttemptTable
    from sitetest.comparing.campaign import CampaignResult
    from sitetest.nights.summary import NightSummary


@dataclass(frozen=True, slots=True)
class Compared:
    """What `sitetest compare` would say. pairs: one row a comparison, with the keys of its JSON document that hold one
    value. document: that document. result: everything, as the package has it."""

    pairs: "DataFrame"
    document: dict[str, Any]
    result: "CampaignResult"


class _Results:
    """What sites and exports share."""

    def _table(self, name: str) -> "DataFrame":
        raise NotImplementedError

    def _attempt_table(self, columns: Sequence[str]) -> "AttemptTable":
        raise NotImplementedError

    @cached_property
    def attempts(self) -> "DataFrame":
        """One row an attempt: the tidy table."""
        return self._table("attempts")

    @cached_property
    def seconds(self) -> "DataFrame":
        """One row a second of an attempt."""
        return self._table("seconds")

    @cached_property
    def observations(self) -> "DataFrame":
        """One row a record of an observer."""
        return self._table("observations")

    @cached_property
    def baselines(self) -> "DataFrame":
        """One row a measurement of the wire alone."""
        return self._table("baselines")

    @cached_property
    def watch_seconds(self) -> "DataFrame":
        """One row a second of the watch of a soak."""
        return self._table("watch_seconds")

    @cached_property
    def events(self) -> "DataFrame":
        """One row an event of a visit."""
        return self._table("events")

    def compare(
        self,
        factor: str,
        *names: str,
        margin: float | None = None,
        alpha: float | None = None,
        where: Mapping[str, str] | None = None,
        pool: Sequence[str] = (),
    ) -> Compared:
        """Compare values of a column, the first of which is the reference, as `sitetest compare` does.

        margin, alpha: shares; None for those of the plan, or the usual ones. where: column -> value that rows must
        have. pool: columns that may differ after all. Raises UsageError when the question does not fit the data.
        """
        import pandas as pd  # noqa: PLC0415  heavy

        from sitetest.comparing.campaign import compare  # noqa: PLC0415
        from sitetest.comparing.document import comparison_document  # noqa: PLC0415
        from sitetest.comparing.pairing import Question  # noqa: PLC0415

        if len(set(names)) < 2:
            raise UsageError("compare needs two or more different names; the first is the reference.")
        question = Question(factor, tuple(names), margin=margin, alpha=alpha, where=where, pooled=tuple(pool))
        result = compare(self._attempt_table(question.columns), question)
        document = comparison_document(result)
        flat = [
            {key: value for key, value in pair.items() if not isinstance(value, list | dict)}
            for pair in document["comparisons"]
        ]
        return Compared(pd.DataFrame(flat), document, result)


class SiteResults(_Results):
    """A site, as its store is now; open it again to see what has come since."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def nights(self, profile: str | None = None) -> "tuple[NightSummary, ...]":
        """What each soak has shown, in the order in which they began; of one profile or of all."""
        from sitetest.nights.night import read_night, soaks  # noqa: PLC0415
        from sitetest.nights.summary import summarise  # noqa: PLC0415

        with StoreReader.read_only(self._path) as store:
            return tuple(summarise(read_night(store, visit)) for visit in soaks(store.visits(), profile))

    def _table(self, name: str) -> "DataFrame":
        table = EXPORT_TABLES[name]
        with StoreReader.read_only(self._path) as store:
            return _frame(table, [tuple(row) for row in table.rows(store, store.facts())])

    def _attempt_table(self, _columns: Sequence[str]) -> "AttemptTable":
        from sitetest.comparing.site_data import read_site  # noqa: PLC0415

        return read_site(self._path)


class ExportResults(_Results):
    """Tables that `sitetest export` wrote, or a single table of attempts."""

    def __init__(self, files: Mapping[str, Path]) -> None:
        self._files = files

    def _table(self, name: str) -> "DataFrame":
        import pandas as pd  # noqa: PLC0415  heavy

        if name not in self._files:
            raise UsageError(f"This export has no table {name!r}; it has: {', '.join(sorted(self._files))}.")
        table, path = EXPORT_TABLES[name], self._files[name]
        if path.suffix == ".parquet":
            frame = pd.read_parquet(path)
        else:
            frame = pd.read_csv(path, dtype="string", keep_default_na=False, na_values=[""])
        return _typed(frame, table.fields)

    def _attempt_table(self, columns: Sequence[str]) -> "AttemptTable":
        from sitetest.comparing.data_file import read_data_file  # noqa: PLC0415

        return read_data_file(self._files["attempts"], columns)


def open_site(folder: Path | str) -> SiteResults:
    """Open the results of a site: its folder, or its ``site.sqlite``. Raises UsageError when there are none."""
    given = Path(folder)
    path = given if given.name == STORE_NAME else store_path(given)
    if not path.is_file():
        raise UsageError(f"There are no results: {path} does not exist.", "Name the folder of a site.")
    return SiteResults(path)


def open_export(path: Path | str) -> ExportResults:
    """Open a folder that `sitetest export` wrote, Parquet before CSV, or one table of attempts. Raises UsageError when
    there is no such table."""
    given = Path(path)
    if given.is_file():
        return ExportResults({"attempts": given})
    files = dict(_found(given))
    if "attempts" not in files:
        raise UsageError(f"{given} has neither attempts.parquet nor attempts.csv.", "Make one with `sitetest export`.")
    return ExportResults(files)


def _found(folder: Path) -> Iterator[tuple[str, Path]]:
    for suffix in (".csv", ".parquet"):
        for name in EXPORT_TABLES:
            if (path := folder / f"{name}{suffix}").is_file():
                yield name, path


def _frame(table: ExportTable, rows: Sequence[tuple[Any, ...]]) -> "DataFrame":
    import pandas as pd  # noqa: PLC0415  heavy

    frame = pd.DataFrame(rows, columns=[field.name for field in table.fields], dtype=object)
    return _typed(frame, table.fields)


def _typed(frame: "DataFrame", fields: Sequence[Field]) -> "DataFrame":
    """Give each column the type of the registry, and the frame its units and meanings."""
    import pandas as pd  # noqa: PLC0415  heavy

    known = [field for field in fields if field.name in frame]
    typed: dict[str, Any] = {field.name: _column(frame[field.name], field, pd) for field in known}
    result: DataFrame = pd.DataFrame(typed)
    result.attrs = {
        "units": {field.name: field.unit for field in known if field.unit},
        "meanings": {field.name: field.meaning for field in known},
    }
    return result


_TRUTH = {True: True, False: False, "true": True, "false": False}


def _column(column: Any, field: Field, pd: Any) -> Any:
    convert: dict[str, Callable[[Any], Any]] = {
        "datetime": lambda values: pd.to_datetime(values, utc=True, format="ISO8601"),
        "boolean": lambda values: values.map(_TRUTH).astype("boolean"),
        "integer": lambda values: pd.to_numeric(values).astype("Int64"),
        "number": lambda values: pd.to_numeric(values).astype("float64"),
        "string": lambda values: values.replace("", pd.NA).astype("string"),
    }
    return convert[field.type](column)
