"""What binds each case, as text: the sentence with its figures, and what to do about it.

Pure. May import rich, ceilings, report and the standard library only.
"""

from collections.abc import Sequence

from rich.console import Group
from rich.padding import Padding
from rich.text import Text

from sitetest.ceilings.path_ceilings import Limit
from sitetest.report.case_binding import CaseBinding
from sitetest.report.case_label import CaseLabel
from sitetest.report.printable import printable

ADVICE = {
    Limit.WIRE: "a faster hop. Until then access points that are faster than the wire cannot be told apart.",
    Limit.LINK_RATE: "place, distance and the two radios decide it; `rssi_dbm` and `width_mhz` in the table say more.",
    Limit.AIR: "measure at another hour, and look for what else is on the channel.",
    Limit.LINE: "nothing in the room raises it; ask about the line.",
    Limit.LAPTOP: "close other programs, plug the laptop in, or try --engine iperf3.",
    Limit.SERVER: "use a faster machine for the test server.",
    Limit.WINDOW: "more streams under [timing], or larger receive buffers at the receiving end.",
    Limit.NOT_KNOWN: "",
}
"""What gets past each limit. Never a channel, a width or a power: those are for local rules to allow."""


def limits_text(bindings: Sequence[CaseBinding], *, simulated: bool) -> Group:
    """Return a line for each case, and what to do below it. A simulated link has nothing to say, said once."""
    if not bindings:
        return Group()
    heading = Text("What binds each case", style="bold")
    if simulated:
        return Group(Text(), heading, _indented("The link is simulated: what binds a real one is not to be seen.", 2))
    label = CaseLabel.telling_apart(one.case for one in bindings)
    lines: list[Text | Padding] = [Text(), heading]
    for one in bindings:
        lines.append(_indented(f"{label.of(one.case)}", 2))
        lines.append(_indented(one.binding.figures, 4))
        if ADVICE[one.binding.limit]:
            lines.append(_indented(f"To get past it: {ADVICE[one.binding.limit]}", 4))
    return Group(*lines)


def _indented(text: str, columns: int) -> Padding:
    return Padding(Text(printable(text)), (0, 0, 0, columns))
