"""IEEE 802.11 PHY rates: from (generation, width, MCS, streams, guard interval) to Mbit/s, and back to all candidates.

    rate = N_SD x N_BPSCS x R x N_SS / (T_DFT + T_GI)        times in microseconds

N_SD: data tones of the width; N_BPSCS: coded bits a tone; R: code rate; N_SS: spatial streams. Constants: IEEE
802.11-2024 tables 19-27 to 19-34 (HT), 21-29 to 21-60 (VHT), 27-86 to 27-117 (HE) and 802.11be tables 36-76 to 36-86
(EHT), as quoted by secondary sources; the standard itself was not read. EHT MCS 14 and 15 are not modelled.

Pure. May import the standard library only.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import cache


class Generation(StrEnum):
    """The family of a PHY rate."""

    HT = "HT"
    VHT = "VHT"
    HE = "HE"
    EHT = "EHT"


_CODED_BITS = (1, 2, 2, 4, 4, 6, 6, 6, 8, 8, 10, 10, 12, 12)
_CODE_RATE = tuple(
    Fraction(top, bottom)
    for top, bottom in (
        (1, 2), (1, 2), (3, 4), (1, 2), (3, 4), (2, 3), (3, 4), (5, 6), (3, 4), (5, 6), (3, 4), (5, 6), (3, 4), (5, 6)
    )
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Family:
    symbol_us: Fraction
    guard_ns: tuple[int, ...]
    tones: dict[int, int]
    mcs_count: int
    most_streams: int


_FAMILIES = {
    Generation.HT: _Family(Fraction(32, 10), (800, 400), {20: 52, 40: 108}, 8, 4),
    Generation.VHT: _Family(Fraction(32, 10), (800, 400), {20: 52, 40: 108, 80: 234, 160: 468}, 10, 8),
    Generation.HE: _Family(Fraction(128, 10), (800, 1600, 3200), {20: 234, 40: 468, 80: 980, 160: 1960}, 12, 8),
    Generation.EHT: _Family(
        Fraction(128, 10), (800, 1600, 3200), {20: 234, 40: 468, 80: 980, 160: 1960, 320: 3920}, 14, 8
    ),
}

VHT_EXCLUDED = frozenset(
    {(20, 9, streams) for streams in (1, 2, 4, 5, 7, 8)} | {(80, 6, 3), (80, 6, 7), (80, 9, 6), (160, 9, 3)}
)
"""(width, MCS, streams) that the VHT tables leave out. Some radios use 20 MHz MCS 9 with one stream all the same, so a
reading of one of these is worth a remark, never a refusal."""


@dataclass(frozen=True, slots=True)
class PhyRate:
    """One modulation. width_mhz: 20 to 320; mcs: within one stream, so 0 to 7 for HT; streams: 1 to 8 (HT: 4);
    guard_ns: 400, 800, 1600 or 3200. Raises ValueError for what the generation does not have."""

    generation: Generation
    width_mhz: int
    mcs: int
    streams: int
    guard_ns: int

    def __post_init__(self) -> None:
        family = _FAMILIES[self.generation]
        for name, value, allowed in (
            ("width_mhz", self.width_mhz, tuple(family.tones)),
            ("mcs", self.mcs, tuple(range(family.mcs_count))),
            ("streams", self.streams, tuple(range(1, family.most_streams + 1))),
            ("guard_ns", self.guard_ns, family.guard_ns),
        ):
            if value not in allowed:
                raise ValueError(f"{self.generation} has no {name} of {value}; it has {', '.join(map(str, allowed))}")

    @property
    def mbps(self) -> float:
        """The PHY rate in Mbit/s, exact to float."""
        family = _FAMILIES[self.generation]
        symbol_us = family.symbol_us + Fraction(self.guard_ns, 1000)
        bits = family.tones[self.width_mhz] * _CODED_BITS[self.mcs] * _CODE_RATE[self.mcs] * self.streams
        return float(bits / symbol_us)

    @property
    def in_the_standard(self) -> bool:
        """Whether the standard's tables list the combination (only VHT leaves some out)."""
        return self.generation is not Generation.VHT or (self.width_mhz, self.mcs, self.streams) not in VHT_EXCLUDED


def ht(mcs: int, width_mhz: int, guard_ns: int) -> PhyRate:
    """Return the HT rate of an MCS index 0 to 31, which numbers streams and modulation together."""
    return PhyRate(Generation.HT, width_mhz, mcs % 8, mcs // 8 + 1, guard_ns)


def all_rates(generation: Generation) -> Iterator[PhyRate]:
    """Yield every combination of a generation, those that the standard leaves out included."""
    family = _FAMILIES[generation]
    for width_mhz in family.tones:
        for streams in range(1, family.most_streams + 1):
            for mcs in range(family.mcs_count):
                for guard_ns in family.guard_ns:
                    yield PhyRate(generation, width_mhz, mcs, streams, guard_ns)


def candidates(rate_mbps: float, generation: Generation | None = None) -> tuple[PhyRate, ...]:
    """Return every combination that a reported rate can be, nearest first.

    Drivers cut fractions in integer arithmetic, so the tolerance is 0.1 Mbit/s or 0.03 %, whichever is larger (the
    kernel's own cfg80211 arithmetic deviates by up to 4.24 Mbit/s at 20,752.94). Most rates have several candidates.
    """
    tolerance_mbps = max(0.1, 0.0003 * rate_mbps)
    found = [
        (abs(mbps - rate_mbps), rate)
        for family in ([generation] if generation else list(Generation))
        for mbps, rate in _table(family)
        if abs(mbps - rate_mbps) <= tolerance_mbps
    ]
    return tuple(rate for _, rate in sorted(found, key=lambda pair: pair[0]))


@cache
def _table(generation: Generation) -> tuple[tuple[float, PhyRate], ...]:
    return tuple((rate.mbps, rate) for rate in all_rates(generation))
