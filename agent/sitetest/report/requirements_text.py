"""What the site needs against what was measured, as text. Pure. May import rich, plan, stats, report and the standard
library only."""

from collections.abc import Sequence

from rich.console import Group
from rich.padding import Padding
from rich.text import Text

from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.plan.site import EVERYWHERE, Requirement
from sitetest.report.case_label import CaseLabel
from sitetest.report.printable import printable
from sitetest.report.requirement_check import THROUGHPUT, RequirementCheck
from sitetest.report.wording import count_text, rate_text
from sitetest.stats.requirements import Finding


def requirements_text(
    requirements: Sequence[Requirement], checks: Sequence[RequirementCheck], locations: Sequence[str]
) -> Group:
    """Return a line for each figure against each case: met, not met or not shown, with the interval it rests on.

    requirements: all of the site; nothing is shown when there are none. locations: of the visit, to say so when no
    requirement names them.
    """
    if not requirements:
        return Group()
    lines: list[Text | Padding] = [Text(), Text("What the site needs", style="bold")]
    lines += [_indented(none_applies(requirements, location), 2) for location in _without(checks, locations)]
    label = CaseLabel.telling_apart(check.case for check in checks)
    source: str | None = None
    for number, check in enumerate(checks):
        if check.requirement.source != source or number == 0:
            source = check.requirement.source
            if source:
                lines.append(_indented(f"Source: {source}", 2))
        lines.append(_indented(f"{check.finding.fulfilment.value:<9}  {label.of(check.case)}: {_figures(check)}", 2))
        lines += [_indented(text, 13) for text in _more(check.finding)]
    return Group(*lines)


def none_applies(requirements: Sequence[Requirement], location: str) -> str:
    """Say that no requirement is about a location, with those that they are about, and the nearest name."""
    stated = list(dict.fromkeys(one.location for one in requirements))
    near = nearest(location, stated)
    hint = f"; is {quoted(near)} the same place?" if near else ""
    return f"none of the requirements in site.toml is about {quoted(location)}; they are about {listed(stated)}{hint}"


def _without(checks: Sequence[RequirementCheck], locations: Sequence[str]) -> list[str]:
    about = {check.requirement.location for check in checks}
    return [] if EVERYWHERE in about else [location for location in locations if location not in about]


def _figures(check: RequirementCheck) -> str:
    finding = check.finding
    if check.what == THROUGHPUT:
        wanted = f"at least {check.wanted:g} Mbit/s"
    else:
        wanted = f"loaded round-trip time (95th percentile) at most {check.wanted:g} ms"
    if finding.low is None or finding.high is None:
        return f"{wanted}; {count_text(finding.n, 'turn')}"
    interval = f"{rate_text(finding.low)} to {rate_text(finding.high)}"
    return f"{wanted}; 95 % interval {interval} ({count_text(finding.n, 'turn')})"


def _more(finding: Finding) -> list[str]:
    told = [finding.why] if finding.why else []
    if finding.turns_needed is not None:
        told.append(
            f"a new visit with about {count_text(finding.turns_needed, 'turn')} of this AP config would show it"
        )
    return told


def _indented(text: str, columns: int) -> Padding:
    return Padding(Text(printable(text)), (0, 0, 0, columns))
