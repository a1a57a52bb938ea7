"""From what macOS's CoreWLAN and its system profiler answered to the link record. Pure, and never raises.

An observation has the names of CoreWLAN's methods:

    {"interfaceName": "en0", "powerOn": true, "ssid": null, "bssid": null, "rssiValue": -51, "noiseMeasurement": -90,
     "transmitRate": 1297.0, "channelNumber": 40, "channelWidth": 4, "channelBand": 2, "activePHYMode": 6}

or {"error": reason}; a method that failed is `{"malformed": true}`. Facts are {"transmitPower": mW, "countryCode":
"..", "system": "..", "profiler": {...}} where `profiler` is what :func:`read_profiler` made of
`system_profiler -json SPAirPortDataType`.

CoreWLAN tells neither the receive rate nor MCS, streams and guard interval. The profiler tells MCS, rate, width and
generation of one instant: streams and guard interval may be worked out from those, and are then marked as derived;
they are never mixed with a rate of another moment.

May import sitetest.ceilings and its neighbours only.
"""

import json
import math
import re
from collections.abc import Mapping
from typing import Any

from sitetest.ceilings.channels import Band, frequency_of
from sitetest.ceilings.wifi_rates import Generation, PhyRate, all_rates
from sitetest.observe.link.draft import Draft
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment

WIDTHS_MHZ = {1: 20, 2: 40, 3: 80, 4: 160}
BANDS = {1: Band.GHZ_2_4, 2: Band.GHZ_5, 3: Band.GHZ_6}
PHYS = {1: "legacy", 2: "legacy", 3: "legacy", 4: "HT", 5: "VHT", 6: "HE", 7: "EHT"}
PROFILER_PHYS = {"n": "HT", "ac": "VHT", "ax": "HE", "be": "EHT", "a": "legacy", "b": "legacy", "g": "legacy"}
NOT_TOLD = ("centre_mhz", "rssi_avg_dbm", "beacon_rssi_dbm", "busy_pct", "punctured", "mlo", "links", "rx", "retries",
            "tx_failed", "tx_packets", "beacon_loss", "connected_s", "associated_at_s", "power_save")  # fmt: skip
"""What CoreWLAN has no words for."""

ROUNDED_MBPS = 1.0
"""The system shows rates in whole Mbit/s."""


def decode_sample(
    raw: Observation,
    moment: Moment,
    names: PlaceNames,
    before: Observation | None = None,  # noqa: ARG001  the same signature for all systems
) -> LinkSample:
    """Return the sample of an observation."""
    draft = Draft()
    if "error" in raw:
        return draft.sample(moment, _reason(raw["error"]))
    if raw.get("powerOn") is False or raw.get("activePHYMode") == 0:
        draft.put("associated", False)
        return draft.sample(moment, Reason.NOT_ASSOCIATED)
    channel_is_known = isinstance(raw.get("channelNumber"), int)
    phy_is_known = isinstance(raw.get("activePHYMode"), int)
    draft.put("associated", True if channel_is_known or phy_is_known else None)
    for name in NOT_TOLD:
        draft.lack(name, Reason.NOT_SUPPORTED_BY_OS)
    _put_name(draft, "ssid", raw.get("ssid"), lambda text: names.ssid(text.encode()))
    _put_name(draft, "bssid", raw.get("bssid"), names.bssid)
    _put_channel(draft, raw)
    for path, method in (("rssi_dbm", "rssiValue"), ("noise_dbm", "noiseMeasurement"), ("tx.mbps", "transmitRate")):
        _put_number(draft, path, raw.get(method))
    for part in ("nss", "gi_ns", "width_mhz", "phy"):
        draft.lack(f"tx.{part}", Reason.NOT_SUPPORTED_BY_OS)
    draft.lack("tx.mcs", Reason.NOT_SAMPLED)
    _put_code(draft, "phy", raw.get("activePHYMode"), PHYS)
    return draft.sample(moment, Reason.NOT_SUPPORTED_BY_OS)


def decode_facts(raw: Observation, moment: Moment) -> LinkFacts:
    """Return the slow facts of an observation."""
    draft = Draft()
    power_mw = raw.get("transmitPower")
    if isinstance(power_mw, int | float) and not isinstance(power_mw, bool) and power_mw > 0:
        draft.put("tx_power_dbm", round(10 * math.log10(power_mw), 1))
    else:
        draft.lack("tx_power_dbm", Reason.NOT_REPORTED_BY_DRIVER if power_mw is None else Reason.INVALID_VALUE)
    draft.put("country", raw.get("countryCode"))
    draft.put("system", raw.get("system"), Reason.NOT_SAMPLED)
    for name in ("power_save", "driver", "usb_mbps"):
        draft.lack(name, Reason.NOT_SUPPORTED_BY_OS)
    profiler = raw.get("profiler")
    if not isinstance(profiler, Mapping) or "error" in profiler:
        draft.lack("tx", _reason(profiler["error"]) if isinstance(profiler, Mapping) else Reason.NOT_SAMPLED)
        return draft.facts(moment, Reason.NOT_SUPPORTED_BY_OS)
    for part in ("mbps", "mcs", "width_mhz", "phy"):
        draft.put(f"tx.{part}", profiler.get(part))
    _derive_modulation(draft)
    return draft.facts(moment, Reason.NOT_SUPPORTED_BY_OS)


def read_profiler(text: str, interface: str) -> dict[str, Any]:
    """Return rate, MCS, width and generation of an interface from the profiler's JSON, or {"error": reason}.

    Only what the record needs is taken: the output also lists other people's networks.
    """
    try:
        groups = json.loads(text)["SPAirPortDataType"]
        cards = [card for group in groups for card in group["spairport_airport_interfaces"]]
        card = next((card for card in cards if card.get("_name") == interface), None)
        if card is None:
            return {"error": Reason.NO_SUCH_INTERFACE.value}
        network = card.get("spairport_current_network_information")
        if network is None:
            return {"error": Reason.NOT_ASSOCIATED.value}
        channel = str(network.get("spairport_network_channel", ""))
        width = re.search(r"(\d+)\s*MHz", channel)
        phy = str(network.get("spairport_network_phymode", "")).removeprefix("802.11")
        return {
            "mbps": network.get("spairport_network_rate"),
            "mcs": network.get("spairport_network_mcs"),
            "width_mhz": int(width.group(1)) if width else None,
            "phy": PROFILER_PHYS.get(phy),
        }
    except (ValueError, KeyError, TypeError, AttributeError):
        return {"error": Reason.PARSE_ERROR.value}


def _derive_modulation(draft: Draft) -> None:
    """Work out streams and guard interval where rate, MCS, width and generation leave one answer only."""
    mbps, mcs, width_mhz, phy = (draft.values.get(f"tx.{part}") for part in ("mbps", "mcs", "width_mhz", "phy"))
    fits: list[PhyRate] = []
    if mbps is not None and mcs is not None and phy in list(Generation):
        generation = Generation(phy)
        fits = [
            rate
            for rate in all_rates(generation)
            if rate.width_mhz == width_mhz and _index(rate) == mcs and abs(rate.mbps - mbps) <= ROUNDED_MBPS
        ]
    streams = {rate.streams for rate in fits}
    guards = {rate.guard_ns for rate in fits}
    draft.derive("tx.nss", streams.pop() if len(streams) == 1 else None, Reason.NOT_SUPPORTED_BY_OS)
    draft.derive("tx.gi_ns", guards.pop() if len(guards) == 1 else None, Reason.NOT_SUPPORTED_BY_OS)


def _index(rate: PhyRate) -> int:
    return rate.mcs + 8 * (rate.streams - 1) if rate.generation is Generation.HT else rate.mcs


def _put_channel(draft: Draft, raw: Observation) -> None:
    number, code = raw.get("channelNumber"), raw.get("channelBand")
    band = BANDS.get(code) if isinstance(code, int) else None
    width = raw.get("channelWidth")
    width_mhz = WIDTHS_MHZ.get(width) if isinstance(width, int) else None
    freq_mhz = None
    if band is not None and isinstance(number, int):
        try:
            freq_mhz = frequency_of(number, band)
        except ValueError:
            freq_mhz = None
    missing = Reason.INVALID_VALUE if isinstance(number, int) else Reason.NOT_REPORTED_BY_DRIVER
    draft.channel(freq_mhz, width_mhz, None, missing, computed=True)
    draft.lack("centre_mhz", Reason.NOT_SUPPORTED_BY_OS)
    if width_mhz is None:
        draft.lack("width_mhz", Reason.INVALID_VALUE if isinstance(width, int) else Reason.NOT_REPORTED_BY_DRIVER)


def _put_name(draft: Draft, path: str, value: object, written: Any) -> None:
    if value is None or (isinstance(value, str) and value.strip().lower() in ("", "<redacted>")):
        draft.lack(path, Reason.NEEDS_LOCATION_PERMISSION)
        return
    try:
        draft.put(path, written(value) if isinstance(value, str) else None, Reason.PARSE_ERROR)
    except ValueError:
        draft.lack(path, Reason.PARSE_ERROR)


def _put_number(draft: Draft, path: str, value: object) -> None:
    if isinstance(value, Mapping):
        draft.lack(path, Reason.PARSE_ERROR)
    else:
        draft.put(path, value)


def _put_code(draft: Draft, path: str, value: object, words: Mapping[int, str]) -> None:
    if value is None or isinstance(value, Mapping):
        draft.lack(path, Reason.NOT_REPORTED_BY_DRIVER if value is None else Reason.PARSE_ERROR)
    else:
        draft.put(path, words.get(value) if isinstance(value, int) else None, Reason.INVALID_VALUE)


def _reason(word: object) -> Reason:
    try:
        return Reason(str(word))
    except ValueError:
        return Reason.PARSE_ERROR
