"""The numbers by which one says what binds a case: one table, each with its reason and source.

`docs/limits.md` shows the same table; a test keeps the two alike. Pure. May import the standard library only.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Threshold:
    """name: as in the documentation. value: a share unless ``unit`` says otherwise."""

    name: str
    value: float
    reason: str
    source: str
    unit: str = ""


REACHED = Threshold(
    "reached", 0.95, "goodput at or above this share of a ceiling is at that ceiling",
    "the share at which the comparison calls a turn bound by the wire (docs/method.md)",
)  # fmt: skip
EXCEEDED = Threshold(
    "exceeded", 1.05, "goodput above this share of a supposed ceiling shows that it is none; it is left out",
    "common practice, no source: double the 1 to 2 % by which headers and clocks can be off, and a margin",
)  # fmt: skip
HOP_LOW = Threshold(
    "hop, low end", 0.97, "from here on goodput looks like a whole Ethernet hop of 10, 100, 1000 or 2500 Mbit/s",
    "common practice, no source",
)  # fmt: skip
HOP_HIGH = Threshold(
    "hop, high end", 1.02,
    "up to here it does: a shaper that counts frames without gap and preamble lets 1448/1514 of its rate through",
    "1448/1514 over 1448/1538 is 1.016 (RFC 6349, section 4.1.1, for the frame)",
)  # fmt: skip
STEADY = Threshold(
    "steady", 0.01, "a spread at or below this is a cable's and not a radio's (coefficient of variation)",
    "common practice, no source; seconds over the air are taken to spread by 6 % in the project's simulations",
)  # fmt: skip
USUAL_LOW = Threshold(
    "usual share, low end", 0.50, "at or above this share of the PHY rate, the link rate explains the goodput",
    "common practice, no source: TCP gets about half to three quarters of the PHY rate",
)  # fmt: skip
USUAL_HIGH = Threshold(
    "usual share, high end", 0.75, "the other end of what is usual; shown, and decides nothing",
    "common practice, no source, as above",
)  # fmt: skip
FAR_BELOW = Threshold(
    "far below", 0.40, "below this share of the PHY rate something takes the air; between this and the usual share "
    "nothing is said",
    "common practice, no source: four fifths of the low end",
)  # fmt: skip
CORE_BUSY = Threshold(
    "busy core", 95, "a core above this for a fifth of the seconds or more may have been the limit",
    "common practice, no source", "%",
)  # fmt: skip
CORE_TOLD = Threshold(
    "told core", 0.50, "from this share of a core on, goodput over the share is a ceiling of a process of one thread",
    "common practice, no source: it is stretched to twice what was seen at most",
)  # fmt: skip
LEG_LOW = Threshold(
    "internet leg, low", 0.80, "internet goodput at or below this share of the LAN leg's is the line's doing",
    "common practice, no source: beyond the 3 to 15 % by which turns spread",
)  # fmt: skip
LEG_ALIKE = Threshold(
    "legs alike", 0.90, "at or above this share the two legs are bound by the same thing",
    "common practice, no source",
)  # fmt: skip

TABLE = (
    REACHED, EXCEEDED, HOP_LOW, HOP_HIGH, STEADY, USUAL_LOW, USUAL_HIGH, FAR_BELOW, CORE_BUSY, CORE_TOLD, LEG_LOW,
    LEG_ALIKE,
)  # fmt: skip
