"""What a comparison is planned as and can be expected to find, in lines. Pure.

May import plan.cases, comparing, report and the standard library only.
"""

from collections.abc import Iterator

from sitetest.comparing.outlook import Finding, Outlook
from sitetest.plan.cases import PlannedComparison
from sitetest.report.wording import count_text, duration_text
from sitetest.stats.power import MOST_PLANNED_TURNS


def planned_line(planned: PlannedComparison) -> str:
    """Say what is settled about the comparison before the first attempt."""
    rules = planned.rules
    looks = (
        f"looks at {', '.join(map(str, rules.looks))} turns of each"
        if rules.looks
        else "too few turns for any verdict: 4 of each are the least"
    )
    return (
        f"{', '.join(planned.others)} against {planned.reference}: margin {_share(rules.margin)}, alpha "
        f"{_share(rules.alpha)} over {count_text(rules.family_size, 'comparison')}, correction "
        f"{rules.correction.value}, {looks}" + (", given up early where no verdict is in reach" * rules.give_up_early)
    )


def outlook_lines(planned: PlannedComparison, outlook: Outlook) -> Iterator[str]:
    """Say what is settled, and what chances it has."""
    basis = "as seen here before" if outlook.seen else "assumed (assumed_cv_pct under [comparison])"
    yield f"Comparison: {planned_line(planned)}."
    yield f"With a spread of {_share(outlook.cv)} between turns, {basis}:"
    for finding in outlook.findings:
        yield f"  {_finding(finding, outlook)}"
    if outlook.equal_chance is not None:
        yield (
            f"  if they are equal, that is shown in {_chance(outlook.equal_chance)} with "
            f"{outlook.most_turns} turns of each"
        )


def _finding(finding: Finding, outlook: Outlook) -> str:
    found = (
        ""
        if finding.chance is None
        else f"found in {_chance(finding.chance)} with {outlook.most_turns} turns of each ("
        f"{duration_text(outlook.most_s)}); "
    )
    if finding.turns is None or finding.duration_s is None:
        better = f"four chances in five of a verdict need more than {MOST_PLANNED_TURNS} turns of each"
    else:
        better = (
            f"four chances in five of a verdict with {finding.turns} turns of each "
            f"(about {duration_text(finding.duration_s)})"
        )
    return f"a true difference of {_share(finding.difference)}: {found}{better}"


def _chance(chance: float) -> str:
    per_cent = 100 * chance
    if per_cent < 1:
        return "less than 1 of 100 campaigns"
    return f"{min(per_cent, 99):.0f} of 100 campaigns" if per_cent < 99.5 else "more than 99 of 100 campaigns"


def _share(share: float) -> str:
    return f"{100 * share:.3g} %"
