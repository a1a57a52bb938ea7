"""The attempts of a site, from its store, as a table to analyse.

May import store, plan (stored plans), errors and, inside the function, pandas.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import NUMBERS, AttemptTable
from sitetest.comparing.data_file import as_texts
from sitetest.errors import UsageError
from sitetest.plan.plan_json import plan_from_json
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.reading import StoreReader
from sitetest.store.tidy import attempt_values

if TYPE_CHECKING:
    from pandas import DataFrame

    from sitetest.store.tidy import Facts


def read_site(store_file: Path) -> AttemptTable:
    """Return every attempt of a site. Raises UsageError when there is none yet, StoreError as the store does."""
    with StoreReader.read_only(store_file) as store:
        facts = store.facts()
    if not facts:
        raise UsageError(f"{store_file} holds no attempt yet.", "Measure first with `sitetest run`.")
    return table_of(facts, str(store_file))


def table_of(facts: "Sequence[Facts]", source: str) -> AttemptTable:
    """Return kept attempts as a table. source: where they come from, as shown. Raises StoreNewer and StoreDamaged for a
    visit whose plan cannot be read."""
    visits = {one.visit.visit_id: one.visit for one in facts}
    plans = {visit_id: plan_from_json(visit.plan).comparison for visit_id, visit in visits.items()}
    return AttemptTable(_frame(facts), source, plans=plans)


def _frame(facts: "Sequence[Facts]") -> "DataFrame":
    import pandas as pd  # noqa: PLC0415

    rows = [attempt_values(one) for one in facts]
    frame = pd.DataFrame(rows, columns=[field.name for field in ATTEMPT_FIELDS])
    for column in NUMBERS:
        frame[column] = pd.to_numeric(frame[column]).astype("float64")
    return as_texts(frame)
