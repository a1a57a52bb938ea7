"""802.11 PHY rates against every printed value that could be read, and the ways back from a rate."""

from itertools import product

import pytest

from sitetest.ceilings.wifi_rates import (
    VHT_EXCLUDED,
    Generation,
    PhyRate,
    all_rates,
    candidates,
    ht,
)

PRINTED = 0.0501
"""Half a unit of the last printed digit."""

HT_PRINTED = (
    # MCS, 20 MHz long, 20 MHz short, 40 MHz long, 40 MHz short guard interval
    (0, 6.5, 7.2, 13.5, 15),
    (1, 13, 14.4, 27, 30),
    (2, 19.5, 21.7, 40.5, 45),
    (3, 26, 28.9, 54, 60),
    (4, 39, 43.3, 81, 90),
    (5, 52, 57.8, 108, 120),
    (6, 58.5, 65, 121.5, 135),
    (7, 65, 72.2, 135, 150),
    (8, 13, 14.4, 27, 30),
    (9, 26, 28.9, 54, 60),
    (10, 39, 43.3, 81, 90),
    (11, 52, 57.8, 108, 120),
    (12, 78, 86.7, 162, 180),
    (13, 104, 115.6, 216, 240),
    (14, 117, 130, 243, 270),
    (15, 130, 144.4, 270, 300),
    (16, 19.5, 21.7, 40.5, 45),
    (17, 39, 43.3, 81, 90),
    (18, 58.5, 65, 121.5, 135),
    (19, 78, 86.7, 162, 180),
    (20, 117, 130, 243, 270),
    (21, 156, 173.3, 324, 360),
    (22, 175.5, 195, 364.5, 405),
    (23, 195, 216.7, 405, 450),
    (24, 26, 28.9, 54, 60),
    (25, 52, 57.8, 108, 120),
    (26, 78, 86.7, 162, 180),
    (27, 104, 115.6, 216, 240),
    (28, 156, 173.3, 324, 360),
    (29, 208, 231.1, 432, 480),
    (30, 234, 260, 486, 540),
    (31, 260, 288.9, 540, 600),
)
VHT_PRINTED = (
    # MCS, then (long, short guard interval) for 20, 40, 80 and 160 MHz
    (0, (6.5, 7.2), (13.5, 15.0), (29.3, 32.5), (58.5, 65.0)),
    (1, (13.0, 14.4), (27.0, 30.0), (58.5, 65.0), (117.0, 130.0)),
    (2, (19.5, 21.7), (40.5, 45.0), (87.8, 97.5), (175.5, 195.0)),
    (3, (26.0, 28.9), (54.0, 60.0), (117.0, 130.0), (234.0, 260.0)),
    (4, (39.0, 43.3), (81.0, 90.0), (175.5, 195.0), (351.0, 390.0)),
    (5, (52.0, 57.8), (108.0, 120.0), (234.0, 260.0), (468.0, 520.0)),
    (6, (58.5, 65.0), (121.5, 135.0), (263.3, 292.5), (526.5, 585.0)),
    (7, (65.0, 72.2), (135.0, 150.0), (292.5, 325.0), (585.0, 650.0)),
    (8, (78.0, 86.7), (162.0, 180.0), (351.0, 390.0), (702.0, 780.0)),
    (9, (86.7, 96.3), (180.0, 200.0), (390.0, 433.3), (780.0, 866.7)),
)


@pytest.mark.parametrize("row", HT_PRINTED, ids=lambda row: f"MCS {row[0]}")
def test_ht_as_printed(row: tuple[float, ...]) -> None:
    """All 128 values of the rate table of a public packet dissector (radiotap, HT MCS 0 to 31)."""
    for printed_mbps, (width_mhz, guard_ns) in zip(row[1:], [(20, 800), (20, 400), (40, 800), (40, 400)], strict=True):
        assert ht(int(row[0]), width_mhz, guard_ns).mbps == pytest.approx(printed_mbps, abs=PRINTED)


@pytest.mark.parametrize("row", VHT_PRINTED, ids=lambda row: f"MCS {row[0]}")
def test_vht_as_printed(row: tuple[int, *tuple[tuple[float, float], ...]]) -> None:
    """All 80 one-stream values of the same dissector's VHT table."""
    for width_mhz, (long_mbps, short_mbps) in zip((20, 40, 80, 160), row[1:], strict=True):
        assert PhyRate(Generation.VHT, width_mhz, row[0], 1, 800).mbps == pytest.approx(long_mbps, abs=PRINTED)
        assert PhyRate(Generation.VHT, width_mhz, row[0], 1, 400).mbps == pytest.approx(short_mbps, abs=PRINTED)


HE_PRINTED = {
    20: (8.603, 17.206, 25.8, 34.4, None, 68.8, 77.4, 86, 103.2, 114.7, 129, 143.4),
    40: (17.2, 34.4, None, 68.8, 103.2, 137.6, 154.9, 172.1, 206.5, 229.4, 258.1, 286.8),
    80: (36, 72.1, 108.1, 144.1, 216.2, 288.2, 324.3, 360.3, 432.4, 480.4, 540.4, 600.5),
    160: (72.1, 144.1, 216.2, 288.2, 432.4, 576.5, 648.5, 720.6, 864.7, 960.8, 1080.9, 1201),
}
"""One stream, 0.8 us (example list of a public network simulator). The two None are printed there as 51.5, which is an
error of that list: the exact value is 51.6176."""


@pytest.mark.parametrize("width_mhz", HE_PRINTED)
def test_he_as_printed(width_mhz: int) -> None:
    for mcs, printed_mbps in enumerate(HE_PRINTED[width_mhz]):
        if printed_mbps is not None:
            assert PhyRate(Generation.HE, width_mhz, mcs, 1, 800).mbps == pytest.approx(printed_mbps, abs=PRINTED)


@pytest.mark.parametrize(
    ("guard_ns", "printed"),
    [
        (1600, (8.1, 16.3, 24.4, 32.5, 48.8, 65, 73.1, 81.3, 97.5, 108.3)),
        (800, (8.6, 17.2, 25.8, 34.4, 51.6, 68.8, 77.4, 86, 103.2, 114.7)),
    ],
)
def test_he20_as_printed_by_a_chip_maker(guard_ns: int, printed: tuple[float, ...]) -> None:
    """Rate tables in the comments of a public chip driver header, HE 20 MHz, one stream."""
    for mcs, printed_mbps in enumerate(printed):
        assert PhyRate(Generation.HE, 20, mcs, 1, guard_ns).mbps == pytest.approx(printed_mbps, abs=PRINTED)


MANY_STREAMS = [
    # generation, width, MCS, streams, guard interval, Mbit/s
    (Generation.HT, 40, 7, 3, 400, 450.0),
    (Generation.HT, 40, 7, 4, 400, 600.0),
    (Generation.HT, 20, 7, 4, 400, 288.8889),
    (Generation.HT, 20, 7, 2, 400, 144.4444),
    (Generation.VHT, 20, 8, 1, 400, 86.6667),
    (Generation.VHT, 20, 8, 2, 400, 173.3333),
    (Generation.VHT, 20, 9, 3, 800, 260.0),
    (Generation.VHT, 20, 9, 3, 400, 288.8889),
    (Generation.VHT, 20, 9, 6, 400, 577.7778),
    (Generation.VHT, 40, 9, 1, 400, 200.0),
    (Generation.VHT, 40, 9, 2, 400, 400.0),
    (Generation.VHT, 80, 9, 1, 800, 390.0),
    (Generation.VHT, 80, 9, 1, 400, 433.3333),
    (Generation.VHT, 80, 9, 2, 400, 866.6667),
    (Generation.VHT, 80, 9, 3, 400, 1300.0),
    (Generation.VHT, 80, 9, 4, 400, 1733.3333),
    (Generation.VHT, 80, 9, 8, 400, 3466.6667),
    (Generation.VHT, 80, 6, 1, 800, 263.25),
    (Generation.VHT, 80, 6, 4, 400, 1170.0),
    (Generation.VHT, 160, 9, 1, 400, 866.6667),
    (Generation.VHT, 160, 9, 2, 400, 1733.3333),
    (Generation.VHT, 160, 9, 4, 400, 3466.6667),
    (Generation.VHT, 160, 9, 8, 400, 6933.3333),
    (Generation.HE, 20, 11, 1, 800, 143.3824),
    (Generation.HE, 20, 11, 1, 1600, 135.4167),
    (Generation.HE, 20, 11, 1, 3200, 121.8750),
    (Generation.HE, 20, 11, 2, 800, 286.7647),
    (Generation.HE, 20, 0, 1, 800, 8.6029),
    (Generation.HE, 20, 0, 1, 1600, 8.1250),
    (Generation.HE, 20, 0, 1, 3200, 7.3125),
    (Generation.HE, 40, 11, 1, 800, 286.7647),
    (Generation.HE, 40, 11, 1, 3200, 243.75),
    (Generation.HE, 40, 11, 2, 800, 573.5294),
    (Generation.HE, 80, 11, 1, 800, 600.4902),
    (Generation.HE, 80, 11, 1, 1600, 567.1296),
    (Generation.HE, 80, 11, 1, 3200, 510.4167),
    (Generation.HE, 80, 11, 2, 800, 1200.9804),
    (Generation.HE, 80, 11, 4, 800, 2401.9608),
    (Generation.HE, 80, 7, 2, 800, 720.5882),
    (Generation.HE, 80, 9, 2, 800, 960.7843),
    (Generation.HE, 160, 11, 1, 800, 1200.9804),
    (Generation.HE, 160, 11, 2, 800, 2401.9608),
    (Generation.HE, 160, 11, 2, 1600, 2268.5185),
    (Generation.HE, 160, 11, 2, 3200, 2041.6667),
    (Generation.HE, 160, 11, 4, 800, 4803.9216),
    (Generation.HE, 160, 11, 8, 800, 9607.8431),
    (Generation.EHT, 20, 13, 1, 800, 172.0588),
    (Generation.EHT, 40, 13, 1, 800, 344.1176),
    (Generation.EHT, 80, 13, 1, 800, 720.5882),
    (Generation.EHT, 160, 13, 1, 800, 1441.1765),
    (Generation.EHT, 160, 13, 2, 800, 2882.3529),
    (Generation.EHT, 320, 13, 1, 800, 2882.3529),
    (Generation.EHT, 320, 13, 1, 3200, 2450.0),
    (Generation.EHT, 320, 13, 2, 800, 5764.7059),
    (Generation.EHT, 320, 13, 2, 1600, 5444.4444),
    (Generation.EHT, 320, 13, 4, 800, 11529.4118),
    (Generation.EHT, 320, 13, 8, 800, 23058.8235),
    (Generation.EHT, 320, 11, 2, 800, 4803.9216),
    (Generation.EHT, 320, 0, 1, 800, 144.1176),
    (Generation.EHT, 320, 0, 1, 3200, 122.5),
]
"""By the standard's formula in exact rationals; EHT 320 MHz MCS 13 with two streams is printed as 5764.6 in a kernel
commit text, and the one-stream ones of HT, VHT and HE stand in the printed tables above."""


@pytest.mark.parametrize(("generation", "width_mhz", "mcs", "streams", "guard_ns", "exact_mbps"), MANY_STREAMS)
def test_many_streams(
    generation: Generation, width_mhz: int, mcs: int, streams: int, guard_ns: int, exact_mbps: float
) -> None:
    assert PhyRate(generation, width_mhz, mcs, streams, guard_ns).mbps == pytest.approx(exact_mbps, abs=1e-4)


def test_eht_equals_he_where_both_have_the_mcs() -> None:
    """IEEE 802.11be as quoted by a training page: MCS 0 to 11 with one stream equal HE."""
    for rate in all_rates(Generation.HE):
        same = PhyRate(Generation.EHT, rate.width_mhz, rate.mcs, rate.streams, rate.guard_ns)
        assert same.mbps == rate.mbps


@pytest.mark.parametrize(
    ("rate", "stated_mbps"),
    [
        (PhyRate(Generation.HE, 80, 11, 4, 800), 2400),
        (PhyRate(Generation.VHT, 80, 9, 4, 400), 1733),
        (ht(31, 40, 400), 600),
        (ht(15, 40, 400), 300),
    ],
)
def test_what_boxes_state(rate: PhyRate, stated_mbps: float) -> None:
    """Common practice, no source: the figures that four- and two-stream radios are sold with."""
    assert rate.mbps == pytest.approx(stated_mbps, abs=3)


def test_the_ten_combinations_that_vht_leaves_out() -> None:
    """Read in a public packet dissector's validity table and in a certification study guide, ten in all."""
    left_out = {
        (rate.width_mhz, rate.mcs, rate.streams) for rate in all_rates(Generation.VHT) if not rate.in_the_standard
    }
    assert left_out == {
        (20, 9, 1), (20, 9, 2), (20, 9, 4), (20, 9, 5), (20, 9, 7), (20, 9, 8),
        (80, 6, 3), (80, 6, 7), (80, 9, 6), (160, 9, 3),
    }  # fmt: skip
    assert left_out == VHT_EXCLUDED
    assert all(rate.in_the_standard for other in Generation if other != "VHT" for rate in all_rates(other))


def test_a_left_out_combination_that_some_radios_use_is_found_and_marked() -> None:
    """20 MHz MCS 9 with one stream: "not in the spec, but some devices use this" (a comment of the Linux kernel)."""
    found = [rate for rate in candidates(86.7, Generation.VHT) if rate.mcs == 9]
    assert found == [PhyRate(Generation.VHT, 20, 9, 1, 800)]
    assert not found[0].in_the_standard


@pytest.mark.parametrize("reported_mbps", [6.5, 86.7, 286.8, 600.5, 866.7, 1200.9, 1733.3, 2401.9, 2882.4, 5764.6])
def test_all_candidates_are_returned_the_nearest_first(reported_mbps: float) -> None:
    """Counted anew by the formula from the standard's numbers, without the table of the module."""
    bits = (1, 2, 2, 4, 4, 6, 6, 6, 8, 8, 10, 10, 12, 12)
    code = (1 / 2, 1 / 2, 3 / 4, 1 / 2, 3 / 4, 2 / 3, 3 / 4, 5 / 6, 3 / 4, 5 / 6, 3 / 4, 5 / 6, 3 / 4, 5 / 6)
    old, new = {20: 52, 40: 108, 80: 234, 160: 468}, {20: 234, 40: 468, 80: 980, 160: 1960, 320: 3920}
    kinds = {"HT": (3.2, (800, 400), old, 8, 4), "VHT": (3.2, (800, 400), old, 10, 8),
             "HE": (12.8, (800, 1600, 3200), new, 12, 8), "EHT": (12.8, (800, 1600, 3200), new, 14, 8)}  # fmt: skip
    expected = set()
    for generation, (symbol_us, guards, tones, mcs_count, most_streams) in kinds.items():
        for (width, count), mcs, streams, guard in product(
            tones.items(), range(mcs_count), range(1, most_streams + 1), guards
        ):
            if (generation == "HT" and width > 40) or (generation == "HE" and width > 160):
                continue
            rate = count * bits[mcs] * code[mcs] * streams / (symbol_us + guard / 1000)
            if abs(rate - reported_mbps) <= max(0.1, 0.0003 * reported_mbps):
                expected.add((generation, width, mcs, streams, guard))
    found = candidates(reported_mbps)
    assert expected
    assert {(one.generation.value, one.width_mhz, one.mcs, one.streams, one.guard_ns) for one in found} == expected
    assert len(found) == len(expected)
    distances = [abs(one.mbps - reported_mbps) for one in found]
    assert distances == sorted(distances)


def test_a_rate_can_be_several_things() -> None:
    found = candidates(286.8)
    assert PhyRate(Generation.HE, 20, 11, 2, 800) in found
    assert PhyRate(Generation.HE, 40, 11, 1, 800) in found


@pytest.mark.parametrize("reported_mbps", [1200.9, 1201.0, 2401.9, 2402.0, 8645.3, 20748.7])
def test_what_drivers_report_is_found(reported_mbps: float) -> None:
    """Values as the kernel's cfg80211 integer arithmetic prints them."""
    assert candidates(reported_mbps)


def test_every_rate_is_among_its_own_candidates() -> None:
    for generation in Generation:
        for rate in all_rates(generation):
            assert rate in candidates(round(rate.mbps, 1), generation)


def test_a_made_up_rate_has_no_candidate() -> None:
    assert candidates(7.77) == ()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((Generation.HT, 80, 0, 1, 800), "HT has no width_mhz of 80; it has 20, 40"),
        ((Generation.HE, 80, 12, 1, 800), "HE has no mcs of 12"),
        ((Generation.VHT, 80, 9, 9, 800), "VHT has no streams of 9"),
        ((Generation.HE, 80, 9, 1, 400), "HE has no guard_ns of 400; it has 800, 1600, 3200"),
    ],
)
def test_what_a_generation_does_not_have(arguments: tuple[Generation, int, int, int, int], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        PhyRate(*arguments)
