"""What a person must know before a throughput test, where it belongs. Pure. May import plan, report only."""

from sitetest.plan.cases import Leg, Plan
from sitetest.plan.estimate import Estimate
from sitetest.plan.soak_estimate import SoakEstimate
from sitetest.plan.soak_plan import SoakPlan
from sitetest.report.wording import volume_text

CONSENT = (
    "A throughput test fills the network and others on it will notice: run it with the owner's consent, and not on a "
    "network that must not be disturbed."
)
RADIO = (
    "Channels, widths, power and radar (DFS) rules are set by each country: that an AP config is named here does not "
    "mean that it is allowed."
)


def internet_caution(estimate: Estimate | SoakEstimate) -> str:
    """Say what the internet leg moves and what stops it; empty when there is none."""
    if estimate.internet_cap_bytes is None:
        return ""
    over = ", so that it will be cut off before it is through" if estimate.over_cap else ""
    return (
        f"The internet leg uses real data volume: about {volume_text(estimate.internet_bytes)} in this visit; "
        f"it is stopped at {volume_text(estimate.internet_cap_bytes)} (limits.internet_data_gb in the profile){over}."
    )


def cautions(plan: Plan | SoakPlan, estimate: Estimate | SoakEstimate) -> tuple[str, ...]:
    """Return every caution that belongs to a plan."""
    several = len(plan.ap_configs) > 1
    internet = any(case.leg is Leg.INTERNET for case in plan.cases)
    return (CONSENT, *([internet_caution(estimate)] if internet else []), *([RADIO] if several else []))
