"""The attempts of a site, from its store, as a table to analyse.

May import store, plan (stored plans), errors and, inside the function, pandas.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import NUMBERS, AttemptTable
from sitetest.errors import UsageError
from sitetest.plan.cases import PlannedComparison
from sitetest.plan.plan_json import plan_from_json
from sitetest.plan.soak_plan_json import soak_plan_from_json
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.reading import StoreReader
from sitetest.store.records import VisitKind, VisitRecord
from sitetest.store.tidy import attempt_values

if TYPE_CHECKING:
    from pandas import DataFrame

    from sitetest.store.tidy import Facts


def read_site(store_file: Path) -> AttemptTable:
    """Return every attempt of a site. Raises UsageError when there is none yet, StoreError as the store does."""
    with StoreReader.read_only(store_file) as store:
        facts = store.facts()
        not_over = frozenset(
            visit.visit_id
            for visit in store.visits()
            if visit.kind is VisitKind.SOAK and store.outcome(visit.visit_id) != "complete"
        )
    if not facts:
        raise UsageError(f"{store_file} holds no attempt yet.", "Measure first with `sitetest run`.")
    return replace(table_of(facts, str(store_file)), not_over=not_over)


def table_of(facts: "Sequence[Facts]", source: str) -> AttemptTable:
    """Return kept attempts as a table. source: where they come from, as shown. Raises StoreNewer and StoreDamaged for a
    visit whose plan cannot be read."""
    visits = {one.visit.visit_id: one.visit for one in facts}
    return AttemptTable(_frame(facts), source, plans={name: _planned(visit) for name, visit in visits.items()})


def _planned(visit: VisitRecord) -> PlannedComparison | None:
    if visit.kind is VisitKind.SOAK:
        return soak_plan_from_json(visit.plan).comparison
    return plan_from_json(visit.plan).comparison


def _frame(facts: "Sequence[Facts]") -> "DataFrame":
    import pandas as pd  # noqa: PLC0415

    rows = [attempt_values(one) for one in facts]
    frame = pd.DataFrame(rows, columns=[field.name for field in ATTEMPT_FIELDS])
    for column in NUMBERS:
        frame[column] = pd.to_numeric(frame[column]).astype("float64")
    return as_texts(frame)


def as_texts(frame: "DataFrame") -> "DataFrame":
    """Return typed columns as the text that the CSV of the same table has; columns of numbers stay as they are."""
    import pandas as pd  # noqa: PLC0415

    texts = {}
    for name in frame.columns:
        column = frame[name]
        if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.infer_dtype(column, skipna=True) == "boolean":
            column = column.map({True: "true", False: "false"}).fillna("")
        elif pd.api.types.is_datetime64_any_dtype(column.dtype):
            column = column.dt.strftime("%Y-%m-%dT%H:%M:%S.%f+00:00").fillna("")
        elif not pd.api.types.is_numeric_dtype(column.dtype):
            column = column.astype("str").where(column.notna(), "")
        texts[str(name)] = column
    return pd.DataFrame(texts)
