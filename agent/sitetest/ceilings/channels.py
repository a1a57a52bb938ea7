"""Channel and frequency arithmetic of IEEE 802.11, and a reminder about radar.

A channel number alone is ambiguous (1 to 13 exist at 2.4 and at 6 GHz), so everything is kept by frequency. Numbers
and formulas as in the Linux kernel (net/wireless/util.c). Nothing here says what is allowed anywhere: channels, width,
power and radar rules are set by each country.

Pure. May import the standard library only.
"""

from enum import StrEnum


class Band(StrEnum):
    """A frequency band, by the word that profiles and columns use."""

    GHZ_2_4 = "2.4"
    GHZ_5 = "5"
    GHZ_6 = "6"


CHANNEL_14_MHZ = 2484
CHANNEL_2_AT_6_GHZ_MHZ = 5935
"""Operating class 136: the one 6 GHz channel off the 5 MHz grid of the others."""


def band_of(frequency_mhz: float) -> Band | None:
    """Return the band of a channel centre, None when it lies in none of the three."""
    if 2401 <= frequency_mhz <= 2495:
        return Band.GHZ_2_4
    if 5925 < frequency_mhz <= 7125:
        return Band.GHZ_6
    if 5150 <= frequency_mhz <= 5925:
        return Band.GHZ_5
    return None


def channel_of(frequency_mhz: int) -> int | None:
    """Return the channel number of a 20 MHz channel centre; None when no channel has that centre."""
    band = band_of(frequency_mhz)
    if band is None:
        return None
    if band is Band.GHZ_2_4:
        if frequency_mhz == CHANNEL_14_MHZ:
            return 14
        steps, rest = divmod(frequency_mhz - 2407, 5)
        return steps if rest == 0 and 1 <= steps <= 13 else None
    if frequency_mhz == CHANNEL_2_AT_6_GHZ_MHZ:
        return 2
    steps, rest = divmod(frequency_mhz - (5950 if band is Band.GHZ_6 else 5000), 5)
    return steps if rest == 0 and steps >= 1 else None


def frequency_of(channel: int, band: Band) -> int:
    """Return the centre, in MHz, of a 20 MHz channel. Raises ValueError for a number that the band does not have."""
    if band is Band.GHZ_2_4:
        frequency_mhz = CHANNEL_14_MHZ if channel == 14 else 2407 + 5 * channel
    elif band is Band.GHZ_6:
        frequency_mhz = CHANNEL_2_AT_6_GHZ_MHZ if channel == 2 else 5950 + 5 * channel
    else:
        frequency_mhz = 5000 + 5 * channel
    if channel_of(frequency_mhz) != channel or band_of(frequency_mhz) is not band:
        raise ValueError(f"there is no channel {channel} at {band} GHz")
    return frequency_mhz


DFS_RANGE_MHZ = (5250, 5730)
"""Where many countries ask an access point to listen for radar first and to leave when it hears some (47 CFR 15.407(h),
EN 301 893). A reminder to look up the local rules, not a statement of them."""

LONG_CHECK_RANGE_MHZ = (5600, 5650)
"""Where ETSI countries ask for a check of ten minutes instead of one (EN 301 893, read second-hand)."""


def may_need_radar_check(centre_mhz: float, width_mhz: float) -> bool:
    """Whether a channel touches frequencies where radar rules are usual."""
    return _touches(centre_mhz, width_mhz, DFS_RANGE_MHZ)


def may_need_long_radar_check(centre_mhz: float, width_mhz: float) -> bool:
    """Whether a channel touches the frequencies of the long check: the access point may be silent for ten minutes."""
    return _touches(centre_mhz, width_mhz, LONG_CHECK_RANGE_MHZ)


def _touches(centre_mhz: float, width_mhz: float, range_mhz: tuple[int, int]) -> bool:
    low_mhz, high_mhz = range_mhz
    return centre_mhz + width_mhz / 2 > low_mhz and centre_mhz - width_mhz / 2 < high_mhz
