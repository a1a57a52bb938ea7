"""Numbers of the kernel's nl80211 interface that the Linux reader uses (uapi header `linux/nl80211.h`).

May import the standard library only.
"""

from enum import IntEnum

FAMILY = "nl80211"
GROUPS = ("mlme", "scan")
"""Multicast groups: connections and roams; scans. Both may be joined without root."""


class Command(IntEnum):
    """Requests and what the kernel says in return or by itself."""

    GET_INTERFACE = 5
    NEW_INTERFACE = 7
    GET_STATION = 17
    NEW_STATION = 19
    TRIGGER_SCAN = 33
    NEW_SCAN_RESULTS = 34
    SCAN_ABORTED = 35
    CONNECT = 46
    ROAM = 47
    DISCONNECT = 48
    GET_SURVEY = 50
    NEW_SURVEY_RESULTS = 51
    GET_POWER_SAVE = 62
    CH_SWITCH_NOTIFY = 88
    CH_SWITCH_STARTED_NOTIFY = 110


IFTYPE_STATION = 2

WIDTH_MHZ = {
    0: 20, 1: 20, 2: 40, 3: 80, 4: 160, 5: 160, 6: 5, 7: 10, 8: 1, 9: 2, 10: 4, 11: 8, 12: 16, 13: 320
}  # fmt: skip
"""`enum nl80211_chan_width` in MHz; 4 is 80+80, written as 160."""

RATE_WIDTH_FLAGS = (
    ("320_MHZ_WIDTH", 320),
    ("160_MHZ_WIDTH", 160),
    ("80P80_MHZ_WIDTH", 160),
    ("80_MHZ_WIDTH", 80),
    ("40_MHZ_WIDTH", 40),
    ("16_MHZ_WIDTH", 16),
    ("10_MHZ_WIDTH", 10),
    ("8_MHZ_WIDTH", 8),
    ("5_MHZ_WIDTH", 5),
    ("4_MHZ_WIDTH", 4),
    ("2_MHZ_WIDTH", 2),
    ("1_MHZ_WIDTH", 1),
)
"""Flags of `enum nl80211_rate_info`, with the width that each one means."""

GUARD_NS = {0: 800, 1: 1600, 2: 3200}
"""`HE_GI` and `EHT_GI`."""
