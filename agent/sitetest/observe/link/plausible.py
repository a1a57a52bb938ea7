"""Which values a field of a link record may hold at all. What lies outside was a stand-in ("0 dBm", "", -1) or noise.

Names are the last part of a field's path: `tx.mbps` is checked as `mbps`. Limits without a source are marked so.

Pure. May import sitetest.ceilings and the standard library only.
"""

from collections.abc import Callable

from sitetest.ceilings.channels import Band, band_of

GENERATIONS = ("legacy", "HT", "VHT", "HE", "EHT", "UHR")
"""In order of age. `legacy` is everything before HT."""

WIDTHS_MHZ = (1, 2, 4, 5, 8, 10, 16, 20, 40, 80, 160, 320)
GUARDS_NS = (400, 800, 1600, 3200)
STAND_INS = frozenset({"", "n/a", "unknown", "none", "null", "<redacted>", "00:00:00:00:00:00", "ff:ff:ff:ff:ff:ff"})


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _between(low: float, high: float) -> Callable[[object], bool]:
    def check(value: object) -> bool:
        return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high

    return check


def _whole_between(low: int, high: int) -> Callable[[object], bool]:
    def check(value: object) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high

    return check


def _one_of(*allowed: object) -> Callable[[object], bool]:
    def check(value: object) -> bool:
        return not isinstance(value, bool) and value in allowed

    return check


def _is_truth(value: object) -> bool:
    return isinstance(value, bool)


def _is_name(value: object) -> bool:
    return isinstance(value, str) and value.strip().lower() not in STAND_INS


def is_signal_dbm(value: object) -> bool:
    """Whether a number can be a received signal: between -100 and -5 dBm, both excluded (0, positive numbers and -100
    are what drivers send when they do not know)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -100 < value < -5


_COUNTER = _whole_between(0, 2**64 - 1)
_CHANNEL_CENTRE = _between(2400, 7200)

ALLOWED: dict[str, Callable[[object], bool]] = {
    "interface": _is_name,
    "associated": _is_truth,
    "ssid": _is_name,
    "bssid": _is_name,
    "mlo": _is_truth,
    "band": _one_of(*(str(band) for band in Band)),
    "channel": _whole_between(1, 233),
    "freq_mhz": lambda value: isinstance(value, int) and not isinstance(value, bool) and band_of(value) is not None,
    "centre_mhz": _CHANNEL_CENTRE,
    "width_mhz": _one_of(*WIDTHS_MHZ),
    "punctured": _whole_between(0, 0xFFFF),
    "dfs": _is_truth,
    "rssi_dbm": is_signal_dbm,
    "rssi_avg_dbm": is_signal_dbm,
    "beacon_rssi_dbm": is_signal_dbm,
    "noise_dbm": _between(-120, -30),  # common practice, no source
    "busy_pct": _between(0, 100),
    "phy": _one_of(*GENERATIONS),
    "mbps": lambda value: _is_number(value) and _between(0.1, 100_000)(value),
    "mcs": _whole_between(0, 31),
    "nss": _whole_between(1, 16),
    "gi_ns": _one_of(*GUARDS_NS),
    "retries": _COUNTER,
    "tx_failed": _COUNTER,
    "tx_packets": _COUNTER,
    "beacon_loss": _COUNTER,
    "connected_s": _between(0, 2**32),
    "associated_at_s": _between(0.000001, 2**34),
    "power_save": _is_truth,
    "link_id": _whole_between(0, 15),
    "tx_power_dbm": _between(-30, 40),  # common practice, no source
    "country": lambda value: isinstance(value, str) and len(value) == 2 and value.isalnum(),
    "driver": _is_name,
    "usb_mbps": _between(1, 100_000),
    "system": _is_name,
}


def plausible(path: str, value: object) -> bool:
    """Whether the field at ``path`` may hold ``value``. Raises KeyError for a field that does not exist."""
    return ALLOWED[path.rpartition(".")[2]](value)
