"""Every flag that is raised from what stood beside a transfer: when, how grave, why, and where the threshold is from.

The one place for thresholds. `docs/flags.md` is made from this table (`flags_page.py`), and `flags.py` looks severities
up in it. Flags that the engine's own report or the network's answers raise are in `validity.py`.

    invalid   it did not measure its case; tried again
    doubt     kept, and left out of estimates and verdicts
    note      kept and counted

A flag whose chance to be raised grows or shrinks with the throughput is only ever a note: leaving such attempts out
would pick faster or slower ones, which no rule may do (docs/method.md).

Pure. May import observe, sitetest_wire and the standard library only.
"""

from dataclasses import dataclass
from enum import StrEnum

from sitetest.observe.clocks import SLEPT_S, STALLED_PERIODS
from sitetest.observe.link.sampler import EXPENSIVE_MS
from sitetest_wire.interface_traffic import TOLERANCE_MBPS, TOLERANCE_SHARE

ELSEWHERE_SHARE = 0.10
"""Share of the window's seconds on another access point, band or radio above which an attempt is a mixture of two."""

NARROW_SHARE = 0.20
"""Share of the window's seconds with frames narrower than the channel that is noted."""

MOVED_DB = 6.0
"""Difference of the median signal: in free space, twice the distance (20 log10 2 = 6.02; ITU-R P.525)."""

FROZEN_SECONDS = 8
"""So many equal readings in a row, and never another one, are taken for a stuck value."""

RATE_RATIO = 3.0
RETRY_SHARE = 0.20
BUSY_PCT = 40.0
BUSY_COVERS_S = 1.0
"""A busy share is that of the second before its reading."""

CEILING_SHARE = 0.92
GIGABIT_MBPS = 1000
USB2_MBPS = 480

CORE_PCT = 95.0
CORE_SHARE = 0.20
"""Share of the window's seconds in which a core was above CORE_PCT."""

ALIGNMENT_S = 0.1
"""How far the payload's seconds and the interface's may lie apart at each edge (store.records.SecondRecord)."""

OURS = "our choice, no source"
PRACTICE = "common practice, no source"


class Severity(StrEnum):
    """How grave a flag is."""

    INVALID = "invalid"
    DOUBT = "doubt"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Row:
    """One flag. raised_when: the threshold in words. otherwise: another severity and when it holds; None: never.

    why: what it does to a figure, and why it is as grave as it is. source: of the threshold.
    """

    name: str
    severity: Severity
    raised_when: str
    why: str
    source: str
    otherwise: tuple[Severity, str] | None = None


_INVALID, _DOUBT, _NOTE = Severity.INVALID, Severity.DOUBT, Severity.NOTE
_MIXTURE = f"more than {ELSEWHERE_SHARE:.0%} of the window's seconds were on another {{}} than the rest"

ROWS: tuple[Row, ...] = (
    # --- which radio ---
    Row(
        "wrong_radio", _INVALID,
        f"access point, band or channel is not the one that site.toml declares, or the channel is wider, in more than "
        f"{ELSEWHERE_SHARE:.0%} of the window's seconds",
        "the figure belongs to another access point or setting than its name says",
        OURS,
        (_DOUBT, "the person was asked and went on all the same"),
    ),
    Row(
        "roamed", _DOUBT,
        "the laptop went to another access point during the load; where access points are hidden, the channel changed",
        "part of the figure is another access point's, and the change itself costs time",
        OURS,
        (_INVALID, _MIXTURE.format("access point")),
    ),
    Row(
        "reassociated", _DOUBT,
        "the link was dropped, or began anew on the same access point, during the load",
        "the seconds without a link are not what the setting gives; what dropped it is not known",
        OURS,
    ),
    Row(
        "band_changed", _DOUBT,
        "the band changed during the load, or is not that of the first counted attempt of the AP config in this visit",
        "2.4, 5 and 6 GHz differ by more than any setting does",
        OURS,
        (_INVALID, "it changed during the load, and " + _MIXTURE.format("band")),
    ),
    Row(
        "radio_changed", _DOUBT,
        "the access point is not that of the first counted attempt of the AP config in this visit",
        "attempts that are put together should be of one radio",
        OURS,
        (_NOTE, "only the channel differs, or both are declared BSSIDs of the access point: choosing is its own doing"),
    ),
    Row(
        "width_fallback", _DOUBT,
        "the channel became narrower during the load, or is narrower than declared, or than in the first counted "
        "attempt of the AP config in this visit",
        "half the width is about half the rate (IEEE 802.11: 980 of 1960 data tones)",
        OURS,
    ),
    Row(
        "narrow_frames", _NOTE,
        f"the frames that carried the payload were narrower than the channel in more than {NARROW_SHARE:.0%} of the "
        "seconds that tell",
        "the radio gives up width frame by frame where part of the channel is taken; that is part of what is measured",
        OURS,
    ),
    Row(
        "punctured", _NOTE,
        "part of the channel is left out (puncturing)",
        "the channel carries less than its width says",
        "IEEE 802.11be: puncturing is part of normal work; no threshold",
    ),
    Row(
        "channel_moved", _DOUBT,
        "the access point changed its channel during the load",
        "the change costs time, and the new channel has other neighbours; on radar (DFS) channels the rules are local",
        OURS,
    ),
    Row(
        "link_set_changed", _DOUBT,
        "the set of links of a multi-link connection changed during the load",
        "a link more or less changes what can be carried",
        OURS,
    ),
    # --- what the radio did ---
    Row(
        "scanned", _DOUBT,
        "the laptop looked for other networks inside the window",
        "a scan leaves the channel for seconds (sweeps of 11 s while connected are reported)",
        OURS,
    ),
    Row(
        "power_save", _NOTE,
        "Wi-Fi power save is on",
        "a sleeping radio answers late and may lose packets (27 % loss with it, none without, in one report)",
        OURS,
        (_DOUBT, "it is not as in the first counted attempt of the AP config in this visit"),
    ),
    Row(
        "moved_client", _DOUBT,
        f"the median signal is more than {MOVED_DB:g} dB away from that of the first counted attempt of the AP config "
        "in this visit",
        "the laptop, or something between it and the access point, was moved: another location in effect",
        f"{MOVED_DB:g} dB is twice the distance in free space (ITU-R P.525); that this is the limit is our choice",
    ),
    Row(
        "frozen_rssi", _NOTE,
        f"the signal was the same in every second, {FROZEN_SECONDS} or more of them, or what came as a signal cannot "
        "be one",
        "the driver repeats a value; the signal of this attempt says nothing",
        OURS,
    ),
    Row(
        "asymmetric_rates", _NOTE,
        f"the median radio rates of the two directions differ by a factor of {RATE_RATIO:g} or more",
        "one direction is heard much worse than the other",
        f"{OURS}; 864.6 against 3843.1 Mbit/s was reported",
    ),
    Row(
        "radio_retries", _NOTE,
        f"more than {RETRY_SHARE:.0%} of the frames that the laptop sent had to be sent again",
        "interference or a weak signal; a property of the place, so it counts",
        PRACTICE,
    ),
    Row(
        "busy_channel", _DOUBT,
        f"without our own load the channel was busy for more than {BUSY_PCT:g} % of the time (median of the idle "
        "seconds beside the transfer)",
        "neighbours took part of the air while this attempt ran",
        PRACTICE,
    ),
    # --- other traffic, the wire ---
    Row(
        "other_traffic", _DOUBT,
        f"beside the payload the laptop's interface carried more than {TOLERANCE_SHARE:.0%} of it and "
        f"{TOLERANCE_MBPS:g} Mbit/s, retransmits allowed for",
        "something else on the laptop shared the link",
        "shared/sitetest_wire/interface_traffic.py; a proposal without a source",
    ),
    Row(
        "server_traffic", _DOUBT,
        f"beside the payload the server's interface carried more than {TOLERANCE_SHARE:.0%} of it and "
        f"{TOLERANCE_MBPS:g} Mbit/s, retransmits allowed for",
        "something else used the server's wire (another test on the same server is `shared`, invalid)",
        "shared/sitetest_wire/interface_traffic.py; a proposal without a source",
    ),
    Row(
        "wired_ceiling", _NOTE,
        f"the throughput is {CEILING_SHARE:.0%} or more of what the slowest wired hop that is known carries (from its "
        "speed, or from the wired baseline)",
        "the cable is the limit, not the radio. A note, because leaving such attempts out would pick the slower ones; "
        "verdicts take the ceiling into account",
        f"{PRACTICE}; 941 of 1000 Mbit/s: IEEE 802.3 framing (ceilings/ethernet.py)",
    ),
    Row(
        "slow_wire", _NOTE,
        f"a wired end runs below {GIGABIT_MBPS} Mbit/s",
        "a bad cable or an old switch; most radios are faster",
        PRACTICE,
    ),
    Row(
        "half_duplex", _DOUBT,
        "a wired end runs at half duplex",
        "both directions share the wire and collide: a fault of the cabling, not of the radio",
        PRACTICE,
    ),
    Row(
        "wire_changed", _DOUBT,
        "a wired end has another speed than in the first counted attempt of the AP config in this visit",
        "what the wire carries changed in between",
        OURS,
    ),
    Row(
        "not_wifi", _NOTE,
        "the transfer went over a cable",
        "it says nothing about an access point; a whole visit over the cable is a wired baseline",
        OURS,
        (_INVALID, "the visit began over Wi-Fi"),
    ),
    Row(
        "tunnel", _DOUBT,
        "the transfer went through a tunnel (VPN)",
        "it measures the tunnel as well",
        OURS,
        (_INVALID, "the visit began over Wi-Fi without it"),
    ),
    Row(
        "link_flap", _DOUBT,
        "the laptop's cable link came or went during the attempt",
        "seconds without a link; a loose plug",
        OURS,
    ),
    Row(
        "eee", _NOTE,
        "Energy-Efficient Ethernet is in use at the laptop's cable",
        "waking the wire costs time, and some pairs of devices do it badly",
        PRACTICE,
    ),
    Row(
        "usb2", _NOTE,
        f"the laptop's adapter hangs on a USB port of {USB2_MBPS} Mbit/s or less",
        "the port carries less than the adapter",
        "USB 2.0: 480 Mbit/s",
    ),
    # --- the computers ---
    Row(
        "laptop_cpu", _NOTE,
        f"a core of the laptop was above {CORE_PCT:g} % in more than {CORE_SHARE:.0%} of the seconds (or the measuring "
        "process above 85 % of a core: visit/validity.py)",
        "a processor may have been the limit. A note: processor load grows with throughput, so that leaving such "
        "attempts out would pick the slower ones",
        PRACTICE,
    ),
    Row(
        "server_cpu", _NOTE,
        f"the same at the server: a core above {CORE_PCT:g} % in more than {CORE_SHARE:.0%} of the seconds",
        "as laptop_cpu",
        PRACTICE,
    ),
    Row(
        "on_battery", _NOTE,
        "the laptop runs on its battery",
        "many laptops slow processor and radio down then",
        PRACTICE,
        (_DOUBT, "the power source is not that of the first counted attempt of the AP config in this visit"),
    ),
    Row(
        "saver", _NOTE,
        "an energy-saving mode of the laptop is on",
        "it slows processor and radio down",
        PRACTICE,
    ),
    Row(
        "suspended", _INVALID,
        f"the laptop slept during the load (its clocks drew apart by more than {SLEPT_S:g} s)",
        "nothing was measured meanwhile; this holds for a transfer that failed as well",
        "agent/sitetest/observe/clocks.py",
    ),
    Row(
        "stalled_host", _DOUBT,
        f"the laptop's own record has a gap of more than {STALLED_PERIODS} s that is no sleep",
        "the laptop, or its virtual machine, stood still; whether the transfer did is not known",
        OURS,
    ),
    Row(
        "tcp_differs", _DOUBT,
        "congestion control or segment size is not that of the first counted attempt of the case in this visit",
        "TCP alone can make the difference (docs/measuring.md)",
        OURS,
    ),
    # --- the readings ---
    Row(
        "reader_expensive", _NOTE,
        f"reading the link took more than {EXPENSIVE_MS:g} ms (median)",
        "looking may disturb what is looked at; the link is then read every 5 s",
        OURS,
    ),
    Row(
        "permission_lost", _NOTE,
        "the system stopped showing network names during the attempt",
        "what came after cannot tell one access point from another",
        "no threshold",
    ),
)  # fmt: skip

TABLE: dict[str, Row] = {row.name: row for row in ROWS}
"""The rows by name."""

NOT_LOOKED_AT = (
    "Bluetooth beside a 2.4 GHz link",
    "peer-to-peer Wi-Fi that the system runs beside the network",
    "heat and processor frequency",
    "a driver or system that was updated between visits",
)
"""What can spoil a comparison too, and nothing here reads yet."""
