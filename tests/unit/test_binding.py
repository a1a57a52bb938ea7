"""What binds a case: every branch of the decision, and the ceilings against published values."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.ceilings import limit_thresholds
from sitetest.ceilings.binding import CASES, Binding, binding_of, binding_of_case
from sitetest.ceilings.limit_thresholds import TABLE
from sitetest.ceilings.path_ceilings import Limit, ceilings_of
from sitetest.ceilings.path_figures import PathFigures, medians, spread_of

WIFI = PathFigures(
    throughput_mbps=500.0, spread=0.06, server_hop_mbps=1000, segment_bytes=1448, phy_rate_mbps=1201.0, streams=5,
    window_bytes=3_000_000, idle_rtt_ms=3.0, laptop_core_pct=40.0, server_core_pct=30.0,
)  # fmt: skip
"""A radio at 42 % of its PHY rate, with everything else known to have room: between far below and usual."""
OVER_LINE = replace(WIFI, over_internet=True, throughput_mbps=90.0)
CABLE = PathFigures(throughput_mbps=93.1, laptop_hop_mbps=100, server_hop_mbps=1000, spread=0.002)


def given_that(base: PathFigures = WIFI, **changes: object) -> PathFigures:
    return replace(base, **changes)  # type: ignore[arg-type]


DECISIONS: list[tuple[str, PathFigures, Limit, str]] = [
    # the wire
    (
        "the slower end of the cable", CABLE, Limit.WIRE,
        "The wire: 93.1 of at most 94.1 Mbit/s of a 100 Mbit/s hop (laptop's end).",
    ),
    (
        "the server's end behind a fast radio", given_that(throughput_mbps=930.0), Limit.WIRE,
        "The wire: 930.0 of at most 941.5 Mbit/s of a 1000 Mbit/s hop (server's end).",
    ),
    (
        "the measured baseline below what the hops would carry",
        given_that(throughput_mbps=610.0, baseline_mbps=620.0), Limit.WIRE,
        "The wire: 610.0 of at most 620.0 Mbit/s of the wired baseline.",
    ),
    ("just at the threshold", given_that(throughput_mbps=0.9501 * 941.4824), Limit.WIRE, "The wire: "),
    ("just below it", given_that(throughput_mbps=0.9499 * 941.4824), Limit.LINK_RATE, "The link rate: "),
    # a hop that nobody tells of
    (
        "a 100 Mbit/s hop beside a declared gigabit wire",
        given_that(throughput_mbps=93.9, spread=0.003), Limit.WIRE,
        "The wire: a steady 93.9 Mbit/s (spread 0.3 %) is what a 100 Mbit/s hop carries, 94.1, though neither end "
        "tells of one: look for a cable, port or adapter of that speed.",
    ),
    ("a shaper of 100 Mbit/s that counts frames", given_that(throughput_mbps=95.64, spread=0.003), Limit.WIRE, ""),
    ("the same figure, unsteady", given_that(throughput_mbps=93.9), Limit.AIR, "The air: "),
    ("the same figure, spread not known", given_that(throughput_mbps=93.9, spread=None), Limit.NOT_KNOWN, ""),
    ("steady, and no such hop exists", given_that(throughput_mbps=120.0, spread=0.001), Limit.AIR, ""),
    (
        "a line sold as 100 Mbit/s is no hop",
        given_that(OVER_LINE, throughput_mbps=93.9, spread=0.003, lan_mbps=650.0), Limit.LINE, "",
    ),
    # the window
    (
        "64 KiB in 25 ms", given_that(throughput_mbps=20.4, streams=1, window_bytes=65_536, idle_rtt_ms=25.0),
        Limit.WINDOW, "The receive window: 20.4 of at most 21.0 Mbit/s of a receive window of 64 KiB in 25.0 ms.",
    ),
    (
        "of several streams", given_that(throughput_mbps=100.0, window_bytes=65_536, idle_rtt_ms=25.0), Limit.WINDOW,
        "The receive window: 100.0 of at most 104.9 Mbit/s of a receive window of 5 x 64 KiB in 25.0 ms.",
    ),
    # a computer, by the thread that moved the bytes
    (
        "the laptop's one thread", given_that(throughput_mbps=400.0, laptop_process_share=0.97), Limit.LAPTOP,
        "The laptop: the one thread that moved 400.0 Mbit/s used 97 % of a core.",
    ),
    ("the server's one thread", given_that(throughput_mbps=400.0, server_process_share=0.99), Limit.SERVER, ""),
    ("a thread with time to spare", given_that(throughput_mbps=400.0, laptop_process_share=0.94), Limit.AIR, ""),
    # the line
    (
        "clearly less than on the LAN leg", given_that(OVER_LINE, lan_mbps=650.0), Limit.LINE,
        "The line to the internet: 90.0 Mbit/s over the line is 14 % of 650.0 Mbit/s on the LAN leg.",
    ),
    (
        "no LAN leg beside it", OVER_LINE, Limit.NOT_KNOWN,
        "Not known: 90.0 Mbit/s over the line, and nothing to set beside it: measure the LAN leg of this case as well.",
    ),
    (
        "between less and alike", given_that(OVER_LINE, lan_mbps=105.0), Limit.NOT_KNOWN,
        "Not known: 90.0 Mbit/s over the line is 86 % of 105.0 Mbit/s on the LAN leg, too near to tell the line from "
        "the radio.",
    ),
    ("just less enough", given_that(OVER_LINE, throughput_mbps=79.9, lan_mbps=100.0), Limit.LINE, ""),
    ("just not enough less", given_that(OVER_LINE, throughput_mbps=80.1, lan_mbps=100.0), Limit.NOT_KNOWN, ""),
    ("alike, so what binds the LAN leg", given_that(OVER_LINE, lan_mbps=95.0), Limit.AIR, ""),
    ("alike, at the usual share", given_that(OVER_LINE, throughput_mbps=700.0, lan_mbps=700.0), Limit.LINK_RATE, ""),
    # the link rate
    (
        "the usual share", given_that(throughput_mbps=720.0), Limit.LINK_RATE,
        "The link rate: 720.0 Mbit/s is 60 % of a PHY rate of 1201 Mbit/s; about half to three quarters is usual.",
    ),
    ("more than usual", given_that(throughput_mbps=135.0, phy_rate_mbps=144.4), Limit.LINK_RATE, ""),
    ("from half on", given_that(throughput_mbps=600.5), Limit.LINK_RATE, ""),
    ("not just below half", given_that(throughput_mbps=600.0), Limit.NOT_KNOWN, ""),
    (
        "and a core that was busy as well", given_that(throughput_mbps=720.0, laptop_core_pct=99.0), Limit.NOT_KNOWN,
        "Not known: 720.0 Mbit/s is 60 % of a PHY rate of 1201 Mbit/s, which would explain it; but the laptop's "
        "busiest core was at 99 %, which may as well.",
    ),
    # a busy core
    (
        "the laptop's core and nothing else", given_that(throughput_mbps=200.0, laptop_core_pct=99.0), Limit.LAPTOP,
        "The laptop: its busiest core was at 99 %, and 200.0 Mbit/s is far below the lowest ceiling known "
        "(941.5 Mbit/s, a 1000 Mbit/s hop (server's end)).",
    ),
    ("the server's core", given_that(throughput_mbps=200.0, server_core_pct=95.0), Limit.SERVER, "The server: "),
    (
        "a core, with no ceiling known", PathFigures(throughput_mbps=200.0, laptop_core_pct=99.0), Limit.LAPTOP,
        "The laptop: its busiest core was at 99 %, and no ceiling is known that would explain 200.0 Mbit/s.",
    ),
    # the air
    (
        "far below the usual share", given_that(throughput_mbps=200.0), Limit.AIR,
        "The air: 200.0 Mbit/s is 17 % of a PHY rate of 1201 Mbit/s, where about half to three quarters is usual, "
        "while the wire carries 941.5 and the laptop's busiest core was at 40 %: other senders on the channel, "
        "interference, or a signal that has to be sent again.",
    ),
    ("not with the wire unknown", given_that(throughput_mbps=200.0, server_hop_mbps=None), Limit.NOT_KNOWN, ""),
    ("not with the laptop unknown", given_that(throughput_mbps=200.0, laptop_core_pct=None), Limit.NOT_KNOWN, ""),
    ("not without a link rate", given_that(throughput_mbps=200.0, phy_rate_mbps=None), Limit.NOT_KNOWN, ""),
    # not known
    (
        "between far below and usual", WIFI, Limit.NOT_KNOWN,
        "Not known: 500.0 Mbit/s is below every ceiling known (the lowest: 941.5 Mbit/s, a 1000 Mbit/s hop (server's "
        "end)).",
    ),
    (
        "far below, with parts that nobody saw", PathFigures(throughput_mbps=200.0, phy_rate_mbps=1201.0),
        Limit.NOT_KNOWN,
        "Not known: 200.0 Mbit/s is far below every ceiling known (the lowest: 1201.0 Mbit/s, the PHY rate); not seen: "
        "the speed of the wire, the laptop's processor, the server's processor, the receive window.",
    ),
    (
        "a loopback, which has no speed", PathFigures(throughput_mbps=20_000.0), Limit.NOT_KNOWN,
        "Not known: no ceiling is known beside 20000.0 Mbit/s; not seen: the speed of the wire, the link rate, "
        "the laptop's processor, the server's processor, the receive window.",
    ),
    ("nothing measured", given_that(throughput_mbps=None), Limit.NOT_KNOWN, "Not known: no goodput was measured."),
    ("a simulated link", given_that(simulated=True, throughput_mbps=940.0), Limit.NOT_KNOWN,
     "Not known: the link is simulated, and what binds a real one is not to be seen."),
]  # fmt: skip


@pytest.mark.parametrize(
    ("figures", "limit", "said"), [row[1:] for row in DECISIONS], ids=[row[0] for row in DECISIONS]
)
def test_the_table_of_decisions(figures: PathFigures, limit: Limit, said: str) -> None:
    binding = binding_of(figures)
    assert binding.limit is limit, binding.figures
    assert binding.figures == said if said.endswith(".") else binding.figures.startswith(said), binding.figures
    assert binding.figures.endswith(".")


def test_every_limit_is_reached_and_every_case_decides_something() -> None:
    """A case that the table never reaches is dead."""
    assert {row[2] for row in DECISIONS} == set(Limit)
    for left_out in CASES:
        others = tuple(case for case in CASES if case is not left_out)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("sitetest.ceilings.binding.CASES", others)
            assert any(binding_of(row[1]).limit is not row[2] for row in DECISIONS), left_out.__name__


@pytest.mark.parametrize(
    ("hop_mbps", "segment_bytes", "ipv6", "most_mbps"),
    [
        (100, 1460, False, 94.9285),  # RFC 6349, section 4.1.1 prints 94.9; table 4.1.2 949.2 and 9,492
        (1000, 1460, False, 949.2848),
        (10_000, 1460, False, 9492.8479),
        (100, 1448, False, 94.1482),  # with the timestamps of RFC 7323: 1448 of 1538 bytes, by the same derivation
        (1000, 1448, False, 941.4824),
        (1000, None, False, 941.4824),
        (1000, 1440, True, 936.2809),
        (1000, 1428, True, 928.4785),
        (1000, 8948, False, 990.042),
        (1000, 8960, False, 991.370),
    ],
)
def test_the_ceiling_of_a_hop(hop_mbps: int, segment_bytes: int | None, ipv6: bool, most_mbps: float) -> None:
    figures = PathFigures(throughput_mbps=1.0, server_hop_mbps=hop_mbps, segment_bytes=segment_bytes, ipv6=ipv6)
    (ceiling,) = ceilings_of(figures)
    assert ceiling.by is Limit.WIRE
    assert ceiling.mbps == pytest.approx(most_mbps, abs=1e-3)


def test_gigabit_carries_about_940() -> None:
    """Common practice, no source: gigabit Ethernet carries about 940 Mbit/s of TCP payload."""
    (ceiling,) = ceilings_of(PathFigures(throughput_mbps=1.0, laptop_hop_mbps=1000))
    assert ceiling.mbps == pytest.approx(940, abs=2)


@pytest.mark.parametrize(
    ("window_kb", "rtt_ms", "printed_mbps"), [(16, 5, 25.6), (16, 10, 12.8), (64, 25, 20.5), (128, 25, 40.9)]
)
def test_the_ceiling_of_a_window(window_kb: int, rtt_ms: float, printed_mbps: float) -> None:
    """RFC 6349, section 3.3.1 and figure 3.3.1, which cuts to one decimal (KB = 1000 bytes)."""
    figures = PathFigures(throughput_mbps=1.0, window_bytes=window_kb * 1000, idle_rtt_ms=rtt_ms)
    (ceiling,) = ceilings_of(figures)
    assert ceiling.by is Limit.WINDOW
    assert ceiling.mbps == pytest.approx(printed_mbps, abs=0.1)


def test_the_lowest_known_ceiling_is_the_ceiling() -> None:
    wire = binding_of(WIFI)
    assert wire.ceiling_by is Limit.WIRE
    assert wire.ceiling_mbps == pytest.approx(941.4824, abs=1e-3)
    radio = binding_of(replace(WIFI, phy_rate_mbps=866.7))
    assert (radio.ceiling_by, radio.ceiling_mbps) == (Limit.LINK_RATE, 866.7)
    thread = binding_of(replace(WIFI, laptop_process_share=0.8))
    assert (thread.ceiling_by, thread.ceiling_mbps) == (Limit.LAPTOP, 625.0)
    assert binding_of(PathFigures(throughput_mbps=5.0)).ceiling_mbps is None


def test_a_share_too_small_to_be_stretched_is_no_ceiling() -> None:
    assert binding_of(replace(WIFI, laptop_process_share=0.4)).ceiling_by is Limit.WIRE


def test_what_the_goodput_exceeds_is_no_ceiling() -> None:
    """A hop said to be 100 Mbit/s cannot have carried 500."""
    binding = binding_of(replace(WIFI, laptop_hop_mbps=100))
    assert binding.limit is Limit.NOT_KNOWN
    assert binding.ceiling_mbps == pytest.approx(941.4824, abs=1e-3)


known = st.none() | st.floats(min_value=0.1, max_value=20_000)
paths = st.builds(
    PathFigures,
    throughput_mbps=known,
    spread=st.none() | st.floats(min_value=0, max_value=1),
    over_internet=st.booleans(),
    laptop_hop_mbps=st.sampled_from([None, 10, 100, 1000]),
    server_hop_mbps=st.sampled_from([None, 100, 1000, 10_000]),
    baseline_mbps=known,
    segment_bytes=st.sampled_from([None, 1428, 1448, 1460, 8948]),
    phy_rate_mbps=known,
    streams=st.integers(1, 32),
    window_bytes=st.none() | st.floats(min_value=1000, max_value=1e8),
    idle_rtt_ms=st.none() | st.floats(min_value=0.01, max_value=1000),
    laptop_core_pct=st.none() | st.floats(min_value=0, max_value=100),
    laptop_process_share=st.none() | st.floats(min_value=0, max_value=1),
    lan_mbps=known,
)


@given(figures=paths)
def test_whatever_is_known_something_true_is_said(figures: PathFigures) -> None:
    """No figure makes it fail, and no ceiling lies below what was measured by more than measuring can be off."""
    binding = binding_of(figures)
    assert binding.figures.endswith(".")
    assert (binding.ceiling_mbps is None) == (binding.ceiling_by is None)
    if binding.ceiling_mbps is not None and figures.throughput_mbps:
        assert figures.throughput_mbps <= 1.05001 * binding.ceiling_mbps
    if figures.phy_rate_mbps is None:
        assert binding.limit not in {Limit.LINK_RATE, Limit.AIR}
    if binding.limit is Limit.LINE:
        assert figures.over_internet
        assert figures.lan_mbps


def test_a_case_is_judged_by_the_medians_of_its_attempts() -> None:
    attempts = [
        replace(WIFI, throughput_mbps=value, phy_rate_mbps=rate)
        for value, rate in [(100.0, 1201.0), (720.0, None), (740.0, 1201.0), (730.0, 1201.0)]
    ]
    assert binding_of(attempts[0]).limit is Limit.AIR
    case = binding_of_case(attempts)
    assert case.limit is Limit.LINK_RATE
    assert "725.0 Mbit/s is 60 % of a PHY rate of 1201" in case.figures


def test_the_other_leg_tells_the_line() -> None:
    attempts = [replace(OVER_LINE, throughput_mbps=value) for value in (80.0, 90.0, 100.0)]
    assert binding_of_case(attempts).limit is Limit.NOT_KNOWN
    assert binding_of_case(attempts, lan_mbps=650.0).limit is Limit.LINE
    assert binding_of_case(attempts, lan_mbps=92.0).limit is Limit.AIR


def test_the_spread_of_a_case_is_the_larger_of_within_and_between() -> None:
    steady = [replace(WIFI, spread=0.002, throughput_mbps=value) for value in (93.8, 93.9, 94.0)]
    assert binding_of_case(steady).limit is Limit.WIRE
    apart = [replace(one, throughput_mbps=value) for one, value in zip(steady, (60.0, 94.0, 140.0), strict=True)]
    assert binding_of_case(apart).limit is Limit.AIR
    assert medians(steady).spread == 0.002
    unknown = [replace(one, spread=None) for one in steady]
    assert medians(unknown).spread == pytest.approx(0.00107, abs=1e-5)  # stdev of ln: ln(94.0/93.8)/2, by hand
    assert spread_of([1.0, 2.0]) is None
    assert spread_of([1.0, 2.0, 0.0]) is None


def test_one_simulated_attempt_makes_a_simulated_case() -> None:
    assert medians([WIFI, replace(WIFI, simulated=True)]).simulated
    assert not medians([WIFI, WIFI]).simulated


def test_attempts_of_different_cases_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        medians([])
    with pytest.raises(ValueError, match="on one leg"):
        medians([WIFI, OVER_LINE])


def test_as_json_it_has_the_names_of_the_columns() -> None:
    assert Binding(Limit.AIR, "The air.", 94.1, Limit.WIRE).to_json() == {
        "binding": "air",
        "binding_figures": "The air.",
        "ceiling_mbps": 94.1,
        "ceiling_by": "wire",
    }


def test_the_page_shows_the_very_table_of_thresholds(repository: Path) -> None:
    """docs/limits.md: name, value, what it does, source."""
    page = (repository / "docs" / "limits.md").read_text(encoding="utf-8")
    rows = [
        f"| {one.name} | {one.value:g}{f' {one.unit}' if one.unit else ''} | {one.reason} | {one.source} |"
        for one in TABLE
    ]
    assert [row for row in rows if row not in page] == []
    named = {value for value in vars(limit_thresholds).values() if isinstance(value, limit_thresholds.Threshold)}
    assert named == set(TABLE)
