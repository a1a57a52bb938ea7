"""The plan of a soak as text and as JSON, before anything is measured. Pure. May import rich, plan and report."""

from itertools import islice
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from sitetest.plan.comparison_json import comparison_document
from sitetest.plan.soak_estimate import SoakEstimate
from sitetest.plan.soak_plan import SoakPlan
from sitetest.report.case_label import CaseLabel
from sitetest.report.cautions import cautions
from sitetest.report.local_time import day_and_time
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text, volume_text
from sitetest.stats.rules import MIN_TURNS, SOAK_FEWEST_TESTS, SOAK_SHORTEST_H

MOST_TURNS_SHOWN = 8


def soak_plan_text(plan: SoakPlan, estimate: SoakEstimate, by_hand: tuple[str, ...] = ()) -> RenderableType:
    """Return what a soak would do, how much data it moves and what it can be expected to show.

    by_hand: AP configs without an apply command, where the plan switches.
    """
    return Group(
        Text(printable(f"{plan.location} - {plan.site}, profile {plan.profile}, unattended"), style="bold"),
        *(Text(printable(f"  {fact}")) for fact in [*soak_facts(plan, estimate), *_hands(by_hand)]),
        Text(),
        Text(f"This order is that of --seed {plan.seed}."),
        Text(),
        *(Text(printable(f"Caution: {caution}")) for caution in cautions(plan, estimate)),
    )


def soak_facts(plan: SoakPlan, estimate: SoakEstimate) -> list[str]:
    """Return the facts of a soak to come, one line each."""
    timing = plan.timing
    label = CaseLabel.telling_apart(plan.cases)
    of_round = [" ".join(label.without_ap_config(case)) for case in plan.cases if case.ap_config == plan.ap_configs[0]]
    engines = " and ".join(dict.fromkeys(str(case.engine) for case in plan.cases))
    return [
        f"{_length(plan, estimate)}: {count_text(estimate.rounds, 'round')}, {count_text(estimate.tests, 'test')}, "
        f"which take {100 * estimate.busy_share:.0f} % of the time (at most {100 * plan.most_busy_share:g} %)",
        f"a round every {plan.every_s:g} s: {', '.join(of_round)}",
        f"each {timing.warm_up_s:g} s of warm-up and {timing.duration_s:g} s that count, "
        f"{count_text(timing.streams, 'stream')}, {engines}; the path is watched all along",
        *_turns(plan, estimate),
        *_volumes(plan, estimate),
        *_judged(plan, estimate),
    ]


def _length(plan: SoakPlan, estimate: SoakEstimate) -> str:
    about = duration_text(estimate.duration_s)
    return f"about {about}" if plan.until is None else f"{about}, until {day_and_time(plan.until)}"


def _turns(plan: SoakPlan, estimate: SoakEstimate) -> list[str]:
    if len(plan.ap_configs) == 1:
        return [f"AP config {plan.ap_configs[0]} all along"]
    shown = [turn.ap_config for turn in islice(plan.turns(), min(MOST_TURNS_SHOWN, estimate.turns))]
    more = ", and so on" if estimate.turns > len(shown) else ""
    turns = f"{count_text(estimate.turns, 'turn')} of {duration_text(plan.turn_s)}"
    return [f"{turns}: {', '.join(shown)}{more}"]


def _volumes(plan: SoakPlan, estimate: SoakEstimate) -> list[str]:
    moved = f"about {volume_text(estimate.lan_bytes)} on the local network"
    if estimate.internet_cap_bytes is not None:
        moved += f" and {volume_text(estimate.internet_bytes)} over the internet line"
    rates = " and ".join(f"{rate_mbps:g}" for rate_mbps in estimate.assumed_mbps)
    lines = [moved + (f", if the path carries {rates} Mbit/s" if rates else ", at the rates seen here before")]
    if plan.data_bytes is not None:
        lines[0] += f"; tests stop at {volume_text(plan.data_bytes)} (soak.data_gb)"
        if estimate.cap_lasts_s is not None:
            lines.append(f"that cap will be reached after about {duration_text(estimate.cap_lasts_s)}: no tests then")
    return lines


def _judged(plan: SoakPlan, estimate: SoakEstimate) -> list[str]:
    needed = f"{SOAK_FEWEST_TESTS} tests of each case over {SOAK_SHORTEST_H:g} h"
    has = f"{estimate.tests_of_a_case} over {duration_text(estimate.span_s)}"
    can = "can" if estimate.steps_judged else "cannot"
    lines = [f"steps and drift of the level {can} be judged: that takes {needed}, this has about {has}"]
    if plan.comparison is not None and not estimate.turns_enough:
        lines.append(
            f"AP configs cannot be compared: that takes {MIN_TURNS} turns of each, this has about "
            f"{estimate.fewest_turns}; soak longer, or lower soak.turn_min"
        )
    return lines


def _hands(by_hand: tuple[str, ...]) -> list[str]:
    if not by_hand:
        return []
    return [f"this cannot be soaked yet: no apply command in site.toml for {', '.join(by_hand)}"]


def soak_plan_document(plan: SoakPlan, estimate: SoakEstimate, by_hand: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the same as a JSON-ready mapping. Times are UTC, ISO 8601."""
    return {
        "soak": True,
        "site": plan.site,
        "profile": plan.profile,
        "location": plan.location,
        "seed": plan.seed,
        "streams": plan.timing.streams,
        "warm_up_s": plan.timing.warm_up_s,
        "duration_s": plan.timing.duration_s,
        "until": None if plan.until is None else plan.until.isoformat(),
        "rounds": plan.rounds,
        "every_s": plan.every_s,
        "turn_s": plan.turn_s,
        "most_busy_share": plan.most_busy_share,
        "ap_configs": list(plan.ap_configs),
        "without_apply_command": list(by_hand),
        "transfers": [
            {"direction": direction, "leg": leg, "engine": engine} for leg, engine, direction in plan.transfers
        ],
        "turns": [
            {"turn": turn.number, "quad": turn.quad, "ap_config": turn.ap_config}
            for turn in islice(plan.turns(), estimate.turns)
        ],
        "estimate": {
            "duration_s": estimate.duration_s,
            "rounds": estimate.rounds,
            "tests": estimate.tests,
            "tests_of_a_case": estimate.tests_of_a_case,
            "busy_s": estimate.busy_s,
            "lan_bytes": estimate.lan_bytes,
            "internet_bytes": estimate.internet_bytes,
            "cap_bytes": estimate.cap_bytes,
            "cap_reached_after_s": estimate.cap_lasts_s,
            "internet_cap_bytes": estimate.internet_cap_bytes,
            "steps_and_drift_can_be_judged": estimate.steps_judged,
            "ap_configs_can_be_compared": plan.comparison is not None and estimate.turns_enough,
        },
        "comparison": None if plan.comparison is None else comparison_document(plan.comparison),
        "cautions": list(cautions(plan, estimate)),
    }
