"""The data dictionary of exported tables: a Data Package (datapackage.org, version 2), made from the field registry.

Table Schema types, constraints, units and meanings, and for each file its size and SHA-256. ``unit``, ``mustMatch`` and
``notKnown`` are properties of our own, which the standard allows. May import the rest of this room and the standard
library only.
"""

import re
from collections.abc import Collection, Sequence
from datetime import UTC, datetime
from typing import Any

from sitetest import __version__
from sitetest.store.export_tables import ExportTable
from sitetest.store.fields import SCHEMA_VERSION, Field

DATA_PACKAGE_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_SCHEMA_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"

_MEDIATYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def descriptor(sites: Sequence[str], resources: Sequence[dict[str, Any]], created: datetime) -> dict[str, Any]:
    """Return the whole dictionary, ready for JSON. sites: whose results they are."""
    title = ", ".join(sites) or "no visits yet"
    return {
        "$schema": DATA_PACKAGE_PROFILE,
        "name": re.sub("[^a-z0-9._-]+", "-", f"sitetest-{title}".lower()).strip("-"),
        "title": f"Throughput measurements: {title}",
        "description": "Every attempt that was measured, with what is needed to judge it. An empty cell or null means "
        "not measured, never zero. Fields with mustMatch true may not differ between attempts that are pooled or "
        "compared, unless that is the question; a cell that equals notKnown agrees with any value.",
        "created": created.astimezone(UTC).isoformat(timespec="seconds"),
        "version": f"{SCHEMA_VERSION}.0.0",
        "sitetestVersion": __version__,
        "resources": list(resources),
    }


def resource(
    table: ExportTable, kind: str, path: str, *, size_bytes: int, sha256: str, both: bool, tables: Collection[str]
) -> dict[str, Any]:
    """Return the description of one file. path: in the folder of the dictionary. both: the same table is there in the
    other format too. tables: names of all that are there."""

    def named(of: str) -> str:
        return f"{of}-parquet" if kind == "parquet" and both else of

    described: dict[str, Any] = {
        "name": named(table.name),
        "type": "table",
        "title": table.title,
        "path": path,
        "format": kind,
        "mediatype": _MEDIATYPES[kind],
        "bytes": size_bytes,
        "hash": f"sha256:{sha256}",
    }
    if kind == "csv":
        described["encoding"] = "utf-8"
        described["dialect"] = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True}
    schema: dict[str, Any] = {
        "$schema": TABLE_SCHEMA_PROFILE,
        "fields": [_field(field) for field in table.fields],
        "missingValues": [""],
    }
    if table.primary_key:
        schema["primaryKey"] = list(table.primary_key)
    if table.of_attempts and "attempts" in tables:
        schema["foreignKeys"] = [
            {"fields": ["test_id"], "reference": {"resource": named("attempts"), "fields": ["test_id"]}}
        ]
    described["schema"] = schema
    return described


def _field(field: Field) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if field.required:
        constraints["required"] = True
    if field.unique:
        constraints["unique"] = True
    if field.minimum is not None and field.type in ("integer", "number"):
        constraints["minimum"] = int(field.minimum) if field.type == "integer" else field.minimum
    if field.allowed:
        constraints["enum"] = list(field.allowed)
    described: dict[str, Any] = {"name": field.name, "type": field.type, "description": field.meaning}
    if field.unit is not None:
        described["unit"] = field.unit
    if field.must_match:
        described["mustMatch"] = True
        if field.not_known is not None:
            described["notKnown"] = field.not_known
    if constraints:
        described["constraints"] = constraints
    return described
