"""The plan of a soak as JSON text, for the store: it is kept with the visit before the first test.

Promise: the same plan gives the same text, byte for byte, and the text gives the same plan back.

History of SOAK_PLAN_FORMAT:

    1  first version

May import sitetest.errors, sitetest_wire, plan and the standard library only.
"""

import json
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sitetest.errors import StoreDamaged, StoreNewer
from sitetest.plan.cases import Leg, Timing
from sitetest.plan.comparison_json import comparison_document, comparison_from
from sitetest.plan.soak_plan import SoakPlan
from sitetest_wire.words import Direction, EngineName

SOAK_PLAN_FORMAT = 1
_KIND = "soak"


def soak_plan_to_json(plan: SoakPlan) -> str:
    """Return the plan as one line of JSON. Times are ISO 8601 with their offset."""
    document = {
        "kind": _KIND,
        "format": SOAK_PLAN_FORMAT,
        "site": plan.site,
        "profile": plan.profile,
        "location": plan.location,
        "timing": asdict(plan.timing),
        "seed": plan.seed,
        "ap_configs": list(plan.ap_configs),
        "transfers": [
            {"leg": leg, "engine": engine, "direction": direction} for leg, engine, direction in plan.transfers
        ],
        "every_s": plan.every_s,
        "turn_s": plan.turn_s,
        "most_busy_share": plan.most_busy_share,
        "until": None if plan.until is None else plan.until.isoformat(),
        "rounds": plan.rounds,
        "data_bytes": plan.data_bytes,
        "internet_data_bytes": plan.internet_data_bytes,
        "comparison": None if plan.comparison is None else comparison_document(plan.comparison),
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)


def soak_plan_from_json(text: str) -> SoakPlan:
    """Read what :func:`soak_plan_to_json` wrote.

    Raises StoreNewer for a plan of a later format, StoreDamaged for text that is no plan of a soak.
    """
    try:
        document = json.loads(text)
        if document["kind"] != _KIND:
            raise ValueError(f"kind {document['kind']!r}")
        if document["format"] > SOAK_PLAN_FORMAT:
            raise StoreNewer(
                f"the stored plan of a soak has format {document['format']}, this sitetest reads up to "
                f"{SOAK_PLAN_FORMAT}",
                "Update sitetest on this laptop.",
            )
        return _plan(document)
    except (ValueError, KeyError, TypeError, RecursionError) as problem:
        raise StoreDamaged(
            f"the stored plan of a soak cannot be read: {type(problem).__name__}: {problem}"
        ) from problem


def _plan(document: dict[str, Any]) -> SoakPlan:
    until = document["until"]
    if (until is None) == (document["rounds"] is None):
        raise ValueError("exactly one of until and rounds is needed")
    return SoakPlan(
        site=document["site"],
        profile=document["profile"],
        location=document["location"],
        timing=Timing(**document["timing"]),
        seed=document["seed"],
        ap_configs=tuple(document["ap_configs"]),
        transfers=tuple(
            (Leg(entry["leg"]), EngineName(entry["engine"]), Direction(entry["direction"]))
            for entry in document["transfers"]
        ),
        every_s=document["every_s"],
        turn_s=document["turn_s"],
        most_busy_share=document["most_busy_share"],
        until=None if until is None else datetime.fromisoformat(until),
        rounds=document["rounds"],
        data_bytes=document["data_bytes"],
        internet_data_bytes=document["internet_data_bytes"],
        comparison=comparison_from(document["comparison"]),
    )
