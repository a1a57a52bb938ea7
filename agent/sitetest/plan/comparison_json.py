"""What is settled about a comparison as JSON-ready values, for the plans that are kept.

May import sitetest.errors, plan.cases, stats.rules and the standard library only.
"""

from typing import Any

from sitetest.errors import StoreNewer
from sitetest.plan.cases import PlannedComparison
from sitetest.stats.rules import RULES_VERSION, ComparisonRules, Correction


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


def comparison_from(entry: dict[str, Any] | None) -> PlannedComparison | None:
    """Read what :func:`comparison_document` made. Raises StoreNewer for rules of a later version, and ValueError,
    KeyError or TypeError for what is none."""
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
