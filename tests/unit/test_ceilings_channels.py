"""Channel and frequency arithmetic against the kernel's own table."""

import pytest

from sitetest.ceilings.channels import (
    Band,
    band_of,
    channel_of,
    frequency_of,
    may_need_long_radar_check,
    may_need_radar_check,
)

KERNEL = [
    (1, Band.GHZ_2_4, 2412),
    (6, Band.GHZ_2_4, 2437),
    (11, Band.GHZ_2_4, 2462),
    (13, Band.GHZ_2_4, 2472),
    (14, Band.GHZ_2_4, 2484),
    (36, Band.GHZ_5, 5180),
    (52, Band.GHZ_5, 5260),
    (100, Band.GHZ_5, 5500),
    (144, Band.GHZ_5, 5720),
    (149, Band.GHZ_5, 5745),
    (165, Band.GHZ_5, 5825),
    (177, Band.GHZ_5, 5885),
    (1, Band.GHZ_6, 5955),
    (2, Band.GHZ_6, 5935),
    (5, Band.GHZ_6, 5975),
    (37, Band.GHZ_6, 6135),
    (233, Band.GHZ_6, 7115),
]
"""Linux, net/wireless/util.c."""


@pytest.mark.parametrize(("channel", "band", "frequency_mhz"), KERNEL)
def test_there_and_back(channel: int, band: Band, frequency_mhz: int) -> None:
    assert frequency_of(channel, band) == frequency_mhz
    assert channel_of(frequency_mhz) == channel
    assert band_of(frequency_mhz) is band


@pytest.mark.parametrize("frequency_mhz", [0, 2400, 2413, 5181, 5950, 900, 7200])
def test_what_is_no_channel(frequency_mhz: int) -> None:
    assert channel_of(frequency_mhz) is None


@pytest.mark.parametrize(("channel", "band"), [(15, Band.GHZ_2_4), (0, Band.GHZ_5), (240, Band.GHZ_6)])
def test_a_channel_that_the_band_does_not_have(channel: int, band: Band) -> None:
    with pytest.raises(ValueError, match="there is no channel"):
        frequency_of(channel, band)


@pytest.mark.parametrize(
    ("channel", "width_mhz", "touches"),
    [(120, 20, True), (124, 20, True), (128, 20, True), (116, 20, False), (132, 20, False), (118, 40, True),
     (126, 40, True), (122, 80, True), (106, 80, False), (114, 160, True)],
)  # fmt: skip
def test_the_long_radar_check(channel: int, width_mhz: int, touches: bool) -> None:
    """Channels that touch 5600 to 5650 MHz: 20 MHz 120 124 128; 40 MHz 118 126; 80 MHz 122; 160 MHz 114."""
    assert may_need_long_radar_check(5000 + 5 * channel, width_mhz) is touches


def test_the_radar_reminder() -> None:
    assert not may_need_radar_check(5180, 20)
    assert may_need_radar_check(5250, 160)
    assert may_need_radar_check(5500, 20)
    assert not may_need_radar_check(5745, 20)


@pytest.mark.parametrize(
    ("centre_mhz", "width_mhz", "touches"),
    [
        (5240, 20, False), (5260, 20, True), (5320, 20, True), (5500, 20, True), (5720, 20, True), (5745, 20, False),
        (5210, 80, False), (5290, 80, True), (5690, 80, True), (5775, 80, False), (5250, 160, True), (5815, 160, False),
        (2437, 20, False), (5955, 20, False), (6185, 160, False),
    ],
)  # fmt: skip
def test_what_touches_5250_to_5730(centre_mhz: float, width_mhz: int, touches: bool) -> None:
    """47 CFR 15.407(h) and EN 301 893 (read second-hand) ask for radar detection in that range: a reminder only."""
    assert may_need_radar_check(centre_mhz, width_mhz) is touches
