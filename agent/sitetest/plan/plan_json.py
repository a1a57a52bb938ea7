"""A plan as JSON text, for the store: it is kept with the visit before the first attempt.

Promise: the same plan gives the same text, byte for byte, and the text gives the same plan back. Each case is written
once, and slots name it by its place in ``cases``.

History of PLAN_FORMAT:

    1  first version
    2  comparison: what is settled about it, or null; a visit of format 1 has none and goes on as it began

May import sitetest.errors, sitetest_wire, plan.cases, stats.rules and the standard library only.
"""

import json
from dataclasses import asdict
from typing import Any

from sitetest.errors import StoreDamaged, StoreNewer
from sitetest.plan.cases import Case, Leg, Plan, PlannedComparison, Slot, Timing, Turn
from sitetest.stats.rules import RULES_VERSION, ComparisonRules, Correction
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


def comparison_document(comparison: PlannedComparison) -> dict[str, Any]:
    """Return what is settled about the comparison as JSON-ready values. Shares are shares, looks are turns of each AP
    config; the weights follow from the looks and stand here for whoever reads the plan."""
    rules = comparison.rules
    return {
        "reference": comparison.reference,
        "others": list(comparison.others),
        "rules_version": comparison.rules_version,
        "margin": rules.margin,
        "alpha": rules.alpha,
        "correction": rules.correction.value,
        "family_size": rules.family_size,
        "looks": list(rules.looks),
        "look_weights": _weights(rules),
        "give_up_early": rules.give_up_early,
    }


def _weights(rules: ComparisonRules) -> list[float]:
    return [round(weight, 6) for weight in rules.weights]


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
        comparison=_comparison(document["comparison"]) if document["format"] > 1 else None,
    )


def _comparison(entry: dict[str, Any] | None) -> PlannedComparison | None:
    if entry is None:
        return None
    if entry["rules_version"] > RULES_VERSION:
        raise StoreNewer(
            f"the stored plan compares by rules of version {entry['rules_version']}, this sitetest knows them up to "
            f"{RULES_VERSION}",
            "Update sitetest on this laptop.",
        )
    rules = ComparisonRules(
        family_size=entry["family_size"],
        margin=entry["margin"],
        alpha=entry["alpha"],
        looks=tuple(entry["looks"]),
        correction=Correction(entry["correction"]),
        give_up_early=entry["give_up_early"],
    )
    if _weights(rules) != entry["look_weights"]:
        raise ValueError(f"looks {entry['looks']} do not have the weights {entry['look_weights']}")
    return PlannedComparison(entry["reference"], tuple(entry["others"]), rules, entry["rules_version"])


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
