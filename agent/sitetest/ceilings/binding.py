"""What binds a case: the one part of the path that a better access point, place or hour would not get past.

    case            is said when
    the wire        goodput is at the ceiling of the slowest known hop, or of the wired baseline
    a hidden hop    it is steady at what a whole Ethernet hop carries, although no such hop is known
    the window      it is at receive window x streams / idle round-trip time
    a computer      the one thread that moved the bytes was never idle
    the line        the same case reaches clearly more on the LAN leg
    the link rate   it is the usual share of the PHY rate, or more
    a busy core     it is not, and a core was at its limit
    the air         it is far below that share, and wire and laptop are known to have had room
    not known       everything else

One function a case; :data:`CASES` orders them, and the first that speaks is the answer. What was seen at its ceiling
comes first, what follows from a usual share last. A goodput below every ceiling with parts unseen is not known.

Pure. May import sitetest.ceilings and the standard library only.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sitetest.ceilings.limit_thresholds import (
    CORE_BUSY,
    FAR_BELOW,
    HOP_HIGH,
    HOP_LOW,
    LEG_ALIKE,
    LEG_LOW,
    REACHED,
    STEADY,
    USUAL_LOW,
)
from sitetest.ceilings.path_ceilings import Ceiling, Limit, ceilings_of, goodput_share
from sitetest.ceilings.path_figures import PathFigures, medians

ETHERNET_MBPS = (10, 100, 1000, 2500)
"""Speeds of copper Ethernet hops (IEEE 802.3) that a forgotten cable, port or adapter may have."""


@dataclass(frozen=True, slots=True)
class Binding:
    """What binds a case. figures: the figures that say so, one sentence. ceiling_mbps, ceiling_by: the lowest known
    ceiling, in Mbit/s of TCP payload, which need not be what binds; None when none is known."""

    limit: Limit
    figures: str
    ceiling_mbps: float | None = None
    ceiling_by: Limit | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the binding as a JSON-ready mapping, named like the columns of an attempt."""
        return {
            "binding": self.limit.value,
            "binding_figures": self.figures,
            "ceiling_mbps": self.ceiling_mbps,
            "ceiling_by": None if self.ceiling_by is None else self.ceiling_by.value,
        }


@dataclass(frozen=True, slots=True)
class _Path:
    """A path with a goodput, and its ceilings, lowest first."""

    figures: PathFigures
    seen_mbps: float
    ceilings: tuple[Ceiling, ...]

    @property
    def phy_share(self) -> float | None:
        """Goodput over PHY rate; None where that is not known, or not the rate of this path."""
        ceiling = self.lowest_by(Limit.LINK_RATE)
        return None if ceiling is None else self.seen_mbps / ceiling.mbps

    @property
    def of_the_phy_rate(self) -> str:
        """The share in words, to be shown where it is known."""
        return (
            f"{mbit(self.seen_mbps)} is {100 * (self.phy_share or 0):.0f} % of a PHY rate of "
            f"{self.figures.phy_rate_mbps:.0f} Mbit/s"
        )

    def lowest_by(self, limit: Limit) -> Ceiling | None:
        """The lowest ceiling of one part of the path."""
        return next((one for one in self.ceilings if one.by is limit), None)

    def busy_cores(self) -> list[tuple[Limit, float]]:
        """The computers of which a core was at its limit, with its load in per cent."""
        loads = ((Limit.LAPTOP, self.figures.laptop_core_pct), (Limit.SERVER, self.figures.server_core_pct))
        return [(computer, pct) for computer, pct in loads if pct is not None and pct >= CORE_BUSY.value]


_Case = Callable[[_Path], tuple[Limit, str] | None]


def binding_of(figures: PathFigures) -> Binding:
    """Say what binds one attempt, or a case whose figures are medians."""
    if not figures.throughput_mbps:
        return Binding(Limit.NOT_KNOWN, "Not known: no goodput was measured.")
    if figures.simulated:
        return Binding(
            Limit.NOT_KNOWN, "Not known: the link is simulated, and what binds a real one is not to be seen."
        )
    path = _Path(figures, figures.throughput_mbps, ceilings_of(figures))
    said = next((said for said in (case(path) for case in CASES) if said is not None), None)
    limit, sentence = said if said is not None else (Limit.NOT_KNOWN, _not_known(path))
    if not path.ceilings:
        return Binding(limit, sentence)
    return Binding(limit, sentence, path.ceilings[0].mbps, path.ceilings[0].by)


def binding_of_case(attempts: Sequence[PathFigures], lan_mbps: float | None = None) -> Binding:
    """Say what binds a case, from the medians of its attempts.

    lan_mbps: what the same case reaches on the LAN leg, for a case on the internet leg; None where that was not
    measured. Raises ValueError as :func:`sitetest.ceilings.path_figures.medians` does.
    """
    figures = medians(attempts)
    return binding_of(figures if lan_mbps is None else replace(figures, lan_mbps=lan_mbps))


# --- one function a case --------------------------------------------------------------------------------------------


def the_wire(path: _Path) -> tuple[Limit, str] | None:
    """Goodput is at what the slowest known Ethernet hop, or the wired baseline, carries."""
    return _at_ceiling(path, Limit.WIRE, "The wire")


def a_hidden_hop(path: _Path) -> tuple[Limit, str] | None:
    """Goodput is steady at what an Ethernet hop carries that neither end tells of: between them, or silent."""
    hop_mbps, spread = _hop_like(path), path.figures.spread
    if hop_mbps is None or spread is None or spread > STEADY.value:
        return None
    return Limit.WIRE, (
        f"The wire: a steady {mbit(path.seen_mbps)} (spread {100 * spread:.1f} %) is what a {hop_mbps} Mbit/s hop "
        f"carries, {_rate(hop_mbps * goodput_share(path.figures))}, though neither end tells of one: look for a cable, "
        "port or adapter of that speed."
    )


def the_window(path: _Path) -> tuple[Limit, str] | None:
    """Goodput is at the bound that RFC 6349 gives for the receive window."""
    return _at_ceiling(path, Limit.WINDOW, "The receive window")


def a_computer(path: _Path) -> tuple[Limit, str] | None:
    """A process of one thread was never idle, so it cannot have been waiting for the network."""
    shares = ((Limit.LAPTOP, path.figures.laptop_process_share), (Limit.SERVER, path.figures.server_process_share))
    for computer, share in shares:
        if share is not None and share >= REACHED.value:
            return computer, (
                f"The {computer}: the one thread that moved {mbit(path.seen_mbps)} used {100 * share:.0f} % of a core."
            )
    return None


def the_line(path: _Path) -> tuple[Limit, str] | None:
    """The same case reaches clearly more on the LAN leg: what lies beyond it binds. Without that leg, or between
    clearly less and alike, nothing can be said about a path over the internet."""
    if not path.figures.over_internet:
        return None
    lan_mbps = path.figures.lan_mbps
    if not lan_mbps:
        return Limit.NOT_KNOWN, (
            f"Not known: {mbit(path.seen_mbps)} over the line, and nothing to set beside it: "
            "measure the LAN leg of this case as well."
        )
    share = path.seen_mbps / lan_mbps
    beside = f"{mbit(path.seen_mbps)} over the line is {100 * share:.0f} % of {mbit(lan_mbps)} on the LAN leg"
    if share <= LEG_LOW.value:
        return Limit.LINE, f"The line to the internet: {beside}."
    if share < LEG_ALIKE.value:
        return Limit.NOT_KNOWN, f"Not known: {beside}, too near to tell the line from the radio."
    return None


def the_link_rate(path: _Path) -> tuple[Limit, str] | None:
    """Goodput is the usual share of the PHY rate, or more."""
    share = path.phy_share
    if share is None or share < USUAL_LOW.value:
        return None
    for computer, pct in path.busy_cores():
        return Limit.NOT_KNOWN, (
            f"Not known: {path.of_the_phy_rate}, which would explain it; but the {computer}'s busiest core was at "
            f"{pct:.0f} %, which may as well."
        )
    return Limit.LINK_RATE, f"The link rate: {path.of_the_phy_rate}; about half to three quarters is usual."


def a_busy_core(path: _Path) -> tuple[Limit, str] | None:
    """A core was at its limit, and neither wire nor link rate explains the goodput."""
    for computer, pct in path.busy_cores():
        return computer, f"The {computer}: its busiest core was at {pct:.0f} %, and {_room(path)}."
    return None


def the_air(path: _Path) -> tuple[Limit, str] | None:
    """The link rate is high and the goodput far below, while wire and laptop are known to have had room."""
    share, wire = path.phy_share, path.lowest_by(Limit.WIRE)
    if share is None or share >= FAR_BELOW.value or wire is None or path.figures.laptop_core_pct is None:
        return None
    if _hop_like(path) is not None and path.figures.spread is None:
        return None
    return Limit.AIR, (
        f"The air: {path.of_the_phy_rate}, where about half to three quarters is usual, while the wire carries "
        f"{_rate(wire.mbps)} and the laptop's busiest core was at {path.figures.laptop_core_pct:.0f} %: other senders "
        "on the channel, interference, or a signal that has to be sent again."
    )


CASES: tuple[_Case, ...] = (
    the_wire, a_hidden_hop, the_window, a_computer, the_line, the_link_rate, a_busy_core, the_air,
)  # fmt: skip


# --- what they share ------------------------------------------------------------------------------------------------


def _at_ceiling(path: _Path, limit: Limit, name: str) -> tuple[Limit, str] | None:
    ceiling = path.lowest_by(limit)
    if ceiling is None or not ceiling.is_reached(path.seen_mbps):
        return None
    return limit, f"{name}: {_rate(path.seen_mbps)} of at most {mbit(ceiling.mbps)} of {ceiling.what}."


def _hop_like(path: _Path) -> int | None:
    """The speed of an Ethernet hop that would carry just this goodput; None over the internet, where lines are sold in
    the same round figures."""
    if path.figures.over_internet:
        return None
    for hop_mbps in ETHERNET_MBPS:
        carried_mbps = hop_mbps * goodput_share(path.figures)
        if HOP_LOW.value * carried_mbps <= path.seen_mbps <= HOP_HIGH.value * carried_mbps:
            return hop_mbps
    return None


def _room(path: _Path) -> str:
    if not path.ceilings:
        return f"no ceiling is known that would explain {mbit(path.seen_mbps)}"
    lowest = path.ceilings[0]
    return f"{mbit(path.seen_mbps)} is {_below(path, lowest)} the lowest ceiling known ({_named(lowest)})"


def _not_known(path: _Path) -> str:
    if path.ceilings:
        lowest = path.ceilings[0]
        seen = f"{mbit(path.seen_mbps)} is {_below(path, lowest)} every ceiling known (the lowest: {_named(lowest)})"
    else:
        seen = f"no ceiling is known beside {mbit(path.seen_mbps)}"
    unseen = _unseen(path)
    return f"Not known: {seen}{f'; not seen: {unseen}' if unseen else ''}."


def _below(path: _Path, ceiling: Ceiling) -> str:
    return "far below" if path.seen_mbps < FAR_BELOW.value * ceiling.mbps else "below"


def _named(ceiling: Ceiling) -> str:
    return f"{mbit(ceiling.mbps)}, {ceiling.what}"


def _unseen(path: _Path) -> str:
    figures = path.figures
    parts = (
        ("the speed of the wire", path.lowest_by(Limit.WIRE)),
        ("the link rate", path.lowest_by(Limit.LINK_RATE) or figures.laptop_hop_mbps),
        ("the laptop's processor", figures.laptop_core_pct),
        ("the server's processor", figures.server_core_pct),
        ("the receive window", path.lowest_by(Limit.WINDOW)),
    )
    return ", ".join(name for name, known in parts if known is None)


def mbit(rate_mbps: float) -> str:
    """Return a rate with its unit, as the sentences have it."""
    return f"{_rate(rate_mbps)} Mbit/s"


def _rate(rate_mbps: float) -> str:
    return f"{rate_mbps:.1f}" if rate_mbps >= 9.995 else f"{rate_mbps:.2f}"
