"""A plan as text and as JSON, before anything is measured. Pure. May import rich, plan, comparing
and report."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sitetest.plan.cases import Leg, Plan, Turn
from sitetest.plan.comparison_json import comparison_document
from sitetest.plan.estimate import Estimate
from sitetest.report.case_label import CaseLabel
from sitetest.report.cautions import cautions
from sitetest.report.planned_count import planned_count_text, planned_turns_text
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text, volume_text

if TYPE_CHECKING:
    from sitetest.comparing.outlook import Outlook

MOST_TURNS_SHOWN = 24
"""A longer plan is folded after half of this, so that time, volume and cautions stay on one screen."""

MOST_ORDERS_SHOWN = 4


def plan_text(plan: Plan, estimate: Estimate, outlook: "Outlook | None" = None) -> RenderableType:
    """Return what would run, in which order, for how long and with how much data, and what it can be expected to find.

    estimate: up to the plan's maximum. outlook: None when nothing is compared.
    """
    label = CaseLabel.telling_apart(plan.cases)
    shown, folded = _shown_turns(plan.first(plan.maximum_turns))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    for heading in ("turn", "AP config", "measures"):
        table.add_column(heading, overflow="fold")
    for turn in shown:
        measures = ", ".join(" ".join(label.without_ap_config(slot.case)) for slot in turn.slots)
        table.add_row(str(turn.number), Text(printable(turn.ap_config)), measures)
    engines = " and ".join(dict.fromkeys(case.engine for case in plan.cases))
    facts = [
        f"{planned_count_text(plan)} in {planned_turns_text(plan)}, about {_duration_text(estimate, outlook)}",
        f"each {plan.timing.warm_up_s:g} s of warm-up and {plan.timing.duration_s:g} s that count, "
        f"{count_text(plan.timing.streams, 'stream')}, {engines}",
        f"about {volume_text(estimate.lan_bytes)} on the local network{_rates_text(estimate, Leg.LAN)}",
    ]
    if estimate.internet_cap_bytes is not None:
        facts.append(
            f"about {volume_text(estimate.internet_bytes)} over the internet line"
            f"{_rates_text(estimate, Leg.INTERNET)}, "
            f"stopped at {volume_text(estimate.internet_cap_bytes)}"
        )
    return Group(
        Text(printable(f"{plan.location} - {plan.site}, profile {plan.profile}"), style="bold"),
        *(Text(f"  {fact}") for fact in facts),
        Text(),
        table,
        *(Text(printable(f"  {line}")) for line in folded),
        Text(),
        *(Text(printable(line)) for line in _outlook_lines(plan, outlook)),
        Text(f"This order is that of --seed {plan.seed}."),
        Text(),
        *(Text(f"Caution: {caution}") for caution in cautions(plan, estimate)),
    )


def _shown_turns(plan: Plan) -> tuple[Sequence[Turn], list[str]]:
    """Return the turns to show one by one, whole quads, and what to say about the rest of a long plan."""
    if len(plan.turns) <= MOST_TURNS_SHOWN:
        return plan.turns, []
    quads: dict[int, list[Turn]] = {}
    for turn in plan.turns:
        quads.setdefault(turn.quad, []).append(turn)
    shown: list[Turn] = []
    for turns in quads.values():
        if len(shown) + len(turns) > MOST_TURNS_SHOWN // 2:
            break
        shown += turns
    shown = shown or list(plan.turns[: MOST_TURNS_SHOWN // 2])
    rest = plan.turns[len(shown) :]
    orders = Counter(
        " ".join(turn.ap_config for turn in turns) for number, turns in quads.items() if turns[0].number > len(shown)
    )
    lines = [f"turns {rest[0].number} to {rest[-1].number} go on in the same way (all of them: --json)"]
    if 1 < len(orders) <= MOST_ORDERS_SHOWN:
        lines += [f"{count_text(times, 'time')} {order}" for order, times in sorted(orders.items())]
    return shown, lines


def _rates_text(estimate: Estimate, leg: Leg) -> str:
    """Say what a volume was reckoned with; empty without volume on that leg."""
    volumes = [volume for volume in estimate.volumes if volume.case.leg is leg]
    assumed = {volume.rate_mbps for volume in volumes if not volume.seen}
    if not volumes:
        return ""
    if not assumed:
        return ", at the rates seen here before"
    rates = " and ".join(f"{rate_mbps:g}" for rate_mbps in sorted(assumed))
    return f", if the {leg} leg carries {rates} Mbit/s"


def plan_document(plan: Plan, estimate: Estimate, outlook: "Outlook | None" = None) -> dict[str, Any]:
    """Return the same as a JSON-ready mapping. measurements, turns, estimate: up to the plan's maximum."""
    most = plan.first(plan.maximum_turns)
    return {
        "site": plan.site,
        "profile": plan.profile,
        "location": plan.location,
        "seed": plan.seed,
        "streams": plan.timing.streams,
        "warm_up_s": plan.timing.warm_up_s,
        "duration_s": plan.timing.duration_s,
        "measurements": len(most.slots),
        "estimate": {
            "duration_s": estimate.duration_s,
            "lan_bytes": estimate.lan_bytes,
            "internet_bytes": estimate.internet_bytes,
            "internet_cap_bytes": estimate.internet_cap_bytes,
        },
        "turns": [
            {
                "turn": turn.number,
                "quad": turn.quad,
                "ap_config": turn.ap_config,
                "measures": [
                    {
                        "repeat": slot.repeat,
                        "direction": slot.case.direction,
                        "leg": slot.case.leg,
                        "engine": slot.case.engine,
                    }
                    for slot in turn.slots
                ],
            }
            for turn in most.turns
        ],
        "comparison": None if plan.comparison is None else comparison_document(plan.comparison),
        "outlook": None if outlook is None else _outlook_document(outlook),
        "cautions": list(cautions(plan, estimate)),
    }


def _outlook_document(outlook: "Outlook") -> dict[str, Any]:
    found = asdict(outlook)
    del found["rules"]  # stands under "comparison"
    return found


def _outlook_lines(plan: Plan, outlook: "Outlook | None") -> list[str]:
    if plan.comparison is None or outlook is None:
        return []
    from sitetest.report.outlook_text import outlook_lines  # noqa: PLC0415  with the statistics, which load slowly

    return [*outlook_lines(plan.comparison, outlook), ""]


def _duration_text(estimate: Estimate, outlook: "Outlook | None") -> str:
    if outlook is None or outlook.first_turns == outlook.most_turns:
        return duration_text(estimate.duration_s)
    return (
        f"{duration_text(outlook.first_s)} if the first look decides all, {duration_text(estimate.duration_s)} at most"
    )
