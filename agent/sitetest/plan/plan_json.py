"""A plan as JSON text, for the store: it is kept with the visit before the first attempt.

Promise: the same plan gives the same text, byte for byte, and the text gives the same plan back. Each case is written
once, and slots name it by its place in ``cases``.

History of PLAN_FORMAT:

    1  first version
    2  comparison: what is settled about it, or null; a visit of format 1 has none and goes on as it began

May import sitetest.errors, sitetest_wire, plan and the standard library only.
"""

import json
from dataclasses import asdict
from typing import Any

from sitetest.errors import StoreDamaged, StoreNewer
from sitetest.plan.cases import Case, Leg, Plan, Slot, Timing, Turn
from sitetest.plan.comparison_json import comparison_document, comparison_from
from sitetest_wire.words import Direction, EngineName

PLAN_FORMAT = 2


def plan_to_json(plan: Plan) -> str:
    """Return the plan as one line of JSON."""
    cases = plan.cases
    place = {case: index for index, case in enumerate(cases)}
    document = {
        "format": PLAN_FORMAT,
        "site": plan.site,
        "profile": plan.profile,
        "location": plan.location,
        "timing": asdict(plan.timing),
        "seed": plan.seed,
        "minimum_turns": plan.minimum_turns,
        "maximum_turns": plan.maximum_turns,
        "internet_data_bytes": plan.internet_data_bytes,
        "comparison": None if plan.comparison is None else comparison_document(plan.comparison),
        "cases": [asdict(case) for case in cases],
        "turns": [
            {
                "number": turn.number,
                "quad": turn.quad,
                "ap_config": turn.ap_config,
                "slots": [{"repeat": slot.repeat, "case": place[slot.case]} for slot in turn.slots],
            }
            for turn in plan.turns
        ],
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)


def plan_from_json(text: str) -> Plan:
    """Read what :func:`plan_to_json` wrote.

    Raises StoreNewer for a plan of a later format, StoreDamaged for text that is no plan.
    """
    try:
        document = json.loads(text)
        if document["format"] > PLAN_FORMAT:
            raise StoreNewer(
                f"the stored plan has format {document['format']}, this sitetest reads up to {PLAN_FORMAT}",
                "Update sitetest on this laptop.",
            )
        return _plan(document)
    except (ValueError, KeyError, TypeError, IndexError, RecursionError) as problem:
        raise StoreDamaged(f"the stored plan cannot be read: {type(problem).__name__}: {problem}") from problem


def _plan(document: dict[str, Any]) -> Plan:
    cases = [_case(entry) for entry in document["cases"]]
    return Plan(
        site=document["site"],
        profile=document["profile"],
        location=document["location"],
        timing=Timing(**document["timing"]),
        seed=document["seed"],
        turns=tuple(_turn(entry, cases) for entry in document["turns"]),
        minimum_turns=document["minimum_turns"],
        maximum_turns=document["maximum_turns"],
        internet_data_bytes=document["internet_data_bytes"],
        comparison=comparison_from(document["comparison"]) if document["format"] > 1 else None,
    )


def _case(entry: dict[str, str]) -> Case:
    return Case(
        location=entry["location"],
        leg=Leg(entry["leg"]),
        engine=EngineName(entry["engine"]),
        ap_config=entry["ap_config"],
        direction=Direction(entry["direction"]),
    )


def _turn(entry: dict[str, Any], cases: list[Case]) -> Turn:
    number = entry["number"]
    slots = tuple(Slot(number, slot["repeat"], cases[slot["case"]]) for slot in entry["slots"])
    return Turn(number, entry["quad"], entry["ap_config"], slots)
