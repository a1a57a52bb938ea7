"""From what the kernel's nl80211 answered to the link record. Pure, and never raises whatever the driver says.

An observation is

    {"interface": attributes,            answer to GET_INTERFACE
     "stations": [attributes, ...],      answer to GET_STATION; the access point is one of them
     "survey": [attributes, ...]}        answer to GET_SURVEY, or left out

where attributes are those of `nl80211_messages.py`, names without prefix, and any of the three may be
`{"error": reason}` instead. Facts are {"interface": ..., "power_save": attributes, "driver": ..., "usb_mbps": ...,
"system": ...}. Traps of drivers that are dealt with here: RSSI of 0, above 0 or far from that of the beacons; the rate
is that of the last frame; no width flag means 20 MHz only without a partial resource unit; the 16-bit rate overflows
above 6553.5 Mbit/s; a station may be a direct-link (TDLS) peer; a multi-link connection has no channel of its own.

May import sitetest.ceilings and its neighbours only.
"""

from collections.abc import Mapping
from typing import Any

from sitetest.observe.link.draft import Draft
from sitetest.observe.link.nl80211_numbers import GUARD_NS, IFTYPE_STATION, RATE_WIDTH_FLAGS, WIDTH_MHZ
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.plausible import GENERATIONS, is_signal_dbm
from sitetest.observe.link.reader import Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment

Attributes = Mapping[str, Any]

RSSI_DISAGREES_DB = 30
"""A signal this far from the beacons' average is a stand-in of the driver (reported: -95 beside -20)."""

LEGACY_LIMIT_MBPS = 54
"""Highest rate before HT."""

CHANNEL_FIELDS = ("freq_mhz", "band", "channel", "centre_mhz", "width_mhz", "dfs", "punctured")


def decode_sample(raw: Observation, moment: Moment, names: PlaceNames, before: Observation | None = None) -> LinkSample:
    """Return the sample of an observation. before: the observation before it, for what is a difference (busy time)."""
    draft = Draft()
    draft.lack("power_save", Reason.NOT_SAMPLED)
    face, face_error = _part(raw, "interface")
    stations, stations_error = _list(raw, "stations")
    kind = _whole(face, "IFTYPE")[0]
    if face_error is not None and stations_error is not None:
        return draft.sample(moment, face_error)
    if kind is not None and kind != IFTYPE_STATION:
        return draft.sample(moment, Reason.NOT_ASSOCIATED)
    station = _access_point(stations)
    if station is None and stations_error is None:
        draft.put("associated", False)
        return draft.sample(moment, Reason.NOT_ASSOCIATED)
    draft.put("associated", True if station is not None else None, stations_error or Reason.NOT_ASSOCIATED)
    _put_ssid(draft, face, face_error, names)
    put_bssid(draft, station or {}, names, stations_error)
    _put_station(draft, station, stations_error)
    _put_channel(draft, face, face_error, station, names)
    _put_survey(draft, raw, before)
    return draft.sample(moment, Reason.NOT_REPORTED_BY_DRIVER)


def decode_facts(raw: Observation, moment: Moment) -> LinkFacts:
    """Return the slow facts of an observation."""
    draft = Draft()
    draft.lack("tx", Reason.NOT_SAMPLED)
    draft.lack("country", Reason.NOT_SAMPLED)
    face, face_error = _part(raw, "interface")
    level, reason = _whole(face, "WIPHY_TX_POWER_LEVEL", signed=True)
    draft.put("tx_power_dbm", None if level is None else level / 100, face_error or reason)
    saving, saving_error = _part(raw, "power_save")
    state, reason = _whole(saving, "PS_STATE")
    draft.put("power_save", None if state is None else state == 1, saving_error or reason)
    draft.put("driver", raw.get("driver"), Reason.NOT_REPORTED_BY_DRIVER)
    draft.put("usb_mbps", raw.get("usb_mbps"), Reason.NOT_REPORTED_BY_DRIVER)
    draft.put("system", raw.get("system"), Reason.NOT_SAMPLED)
    return draft.facts(moment, Reason.NOT_REPORTED_BY_DRIVER)


def put_rate(draft: Draft, way: str, holder: Attributes, name: str, otherwise: Reason | None = None) -> None:
    """Set the PHY rate of one direction from a nested rate attribute."""
    rate = holder.get(name)
    if not isinstance(rate, Mapping) or _is_malformed(rate):
        draft.lack(way, otherwise or (Reason.NOT_REPORTED_BY_DRIVER if rate is None else Reason.PARSE_ERROR))
        return
    tenths, reason = _whole(rate, "BITRATE32" if "BITRATE32" in rate else "BITRATE")
    mbps = None if tenths is None else tenths / 10
    draft.put(f"{way}.mbps", mbps, reason)
    phy = _generation(rate, mbps)
    draft.put(f"{way}.phy", phy)
    _put_modulation(draft, way, rate, phy)
    width_mhz = _frame_width(rate, phy)
    draft.put(f"{way}.width_mhz", width_mhz)


def _generation(rate: Attributes, mbps: float | None) -> str | None:
    for name, phy in (("UHR_MCS", "UHR"), ("EHT_MCS", "EHT"), ("HE_MCS", "HE"), ("VHT_MCS", "VHT"), ("MCS", "HT")):
        if name in rate:
            return phy
    return "legacy" if mbps is not None and mbps <= LEGACY_LIMIT_MBPS else None


def _put_modulation(draft: Draft, way: str, rate: Attributes, phy: str | None) -> None:
    if phy == "UHR":  # Wi-Fi 8: seen, not read
        for part in ("mcs", "nss", "gi_ns"):
            draft.lack(f"{way}.{part}", Reason.NOT_SAMPLED)
        return
    prefix = "" if phy == "HT" else f"{phy}_"
    mcs, reason = _whole(rate, f"{prefix}MCS")
    draft.put(f"{way}.mcs", mcs, reason)
    if phy == "HT":
        draft.derive(f"{way}.nss", None if mcs is None else mcs // 8 + 1, reason)
    else:
        draft.put(f"{way}.nss", *_whole(rate, f"{prefix}NSS"))
    if phy in ("HT", "VHT"):
        draft.put(f"{way}.gi_ns", 400 if rate.get("SHORT_GI") is True else 800)
    else:
        code, reason = _whole(rate, f"{prefix}GI")
        draft.put(f"{way}.gi_ns", None if code is None else GUARD_NS.get(code, code), reason)


def _frame_width(rate: Attributes, phy: str | None) -> int | None:
    """Return the width of the frame; None for a partial resource unit and where the driver gives nothing but a rate."""
    for name, width_mhz in RATE_WIDTH_FLAGS:
        if rate.get(name) is True:
            return width_mhz
    if phy is None or "HE_RU_ALLOC" in rate or "EHT_RU_ALLOC" in rate:
        return None
    return 20


def put_signal(draft: Draft, info: Attributes) -> None:
    """Set the signal fields from a station's attributes; see the traps in the module's docstring."""
    readings = {name: _whole(info, name, signed=True) for name in ("SIGNAL", "SIGNAL_AVG", "BEACON_SIGNAL_AVG")}
    beacon_dbm = readings["BEACON_SIGNAL_AVG"][0]
    good_beacon = is_signal_dbm(beacon_dbm)

    def trusted(name: str) -> int | None:
        value = readings[name][0]
        if not is_signal_dbm(value):
            return None
        far = good_beacon and beacon_dbm is not None and abs(value - beacon_dbm) > RSSI_DISAGREES_DB  # type: ignore[operator]
        return None if far else value

    last_dbm, average_dbm = trusted("SIGNAL"), trusted("SIGNAL_AVG")
    for path, name, value in (("rssi_dbm", "SIGNAL", last_dbm), ("rssi_avg_dbm", "SIGNAL_AVG", average_dbm)):
        raw, reason = readings[name]
        draft.put(path, value, reason if raw is None else Reason.INVALID_VALUE)
    draft.put("beacon_rssi_dbm", *readings["BEACON_SIGNAL_AVG"])
    stand_in = average_dbm if average_dbm is not None else (beacon_dbm if good_beacon else None)
    if last_dbm is None and stand_in is not None:
        draft.derive("rssi_dbm", stand_in)


def _put_ssid(draft: Draft, face: Attributes, error: Reason | None, names: PlaceNames) -> None:
    ssid = face.get("SSID")
    if not isinstance(ssid, str) or not ssid:
        draft.lack("ssid", error or _missing(face, "SSID"))
        return
    try:
        draft.put("ssid", names.ssid(bytes.fromhex(ssid)))
    except ValueError:
        draft.lack("ssid", Reason.PARSE_ERROR)


def put_bssid(draft: Draft, holder: Attributes, names: PlaceNames, otherwise: Reason | None = None) -> None:
    """Set the BSSID from an address attribute."""
    address = holder.get("MAC")
    if not isinstance(address, str):
        draft.lack("bssid", otherwise or _missing(holder, "MAC"))
        return
    if address in ("00:00:00:00:00:00", "ff:ff:ff:ff:ff:ff"):
        draft.lack("bssid", Reason.INVALID_VALUE)
        return
    try:
        draft.put("bssid", names.bssid(address))
    except ValueError:
        draft.lack("bssid", Reason.PARSE_ERROR)


def _put_station(draft: Draft, station: Attributes | None, error: Reason | None) -> None:
    info = (station or {}).get("STA_INFO")
    if not isinstance(info, Mapping) or _is_malformed(info):
        reason = error or (Reason.NOT_REPORTED_BY_DRIVER if info is None else Reason.PARSE_ERROR)
        draft.lack_rest(
            ("rssi_dbm", "rssi_avg_dbm", "beacon_rssi_dbm", "phy", "tx", "rx", "retries", "tx_failed", "tx_packets",
             "beacon_loss", "connected_s", "associated_at_s"),
            reason,
        )  # fmt: skip
        return
    put_signal(draft, info)
    put_rate(draft, "tx", info, "TX_BITRATE")
    put_rate(draft, "rx", info, "RX_BITRATE")
    seen = [phy for way in ("tx", "rx") if (phy := draft.values.get(f"{way}.phy")) is not None]
    draft.put("phy", max(seen, key=GENERATIONS.index, default=None))
    for path, name in (
        ("retries", "TX_RETRIES"),
        ("tx_failed", "TX_FAILED"),
        ("tx_packets", "TX_PACKETS"),
        ("beacon_loss", "BEACON_LOSS"),
        ("connected_s", "CONNECTED_TIME"),
    ):
        draft.put(path, *_whole(info, name))
    since_ns, reason = _whole(info, "ASSOC_AT_BOOTTIME")
    draft.put("associated_at_s", None if since_ns is None else since_ns / 1e9, reason)


def _put_channel(
    draft: Draft, face: Attributes, error: Reason | None, station: Attributes | None, names: PlaceNames
) -> None:
    links = face.get("MLO_LINKS")
    if error is not None:
        for path in (*CHANNEL_FIELDS, "mlo", "links"):
            draft.lack(path, error)
        return
    if links is not None and not isinstance(links, list):
        draft.put("mlo", True)
        for path in (*CHANNEL_FIELDS, "links"):
            draft.lack(path, Reason.PARSE_ERROR)
        return
    if not links:
        draft.put("mlo", False)
        draft.links = []
        put_channel(draft, face)
        return
    draft.put("mlo", True)
    of_station = station.get("MLO_LINKS") if station is not None else None
    details = {
        number: link
        for link in (of_station if isinstance(of_station, list) else [])
        if isinstance(link, Mapping) and (number := _whole(link, "MLO_LINK_ID")[0]) is not None
    }
    active = [link for link in links if isinstance(link, Mapping) and "WIPHY_FREQ" in link]
    draft.links = [_link(link, details.get(_whole(link, "MLO_LINK_ID")[0] or 0, {}), names) for link in active]
    if len(active) == 1:
        put_channel(draft, active[0])
        _take_from_only_link(draft, draft.links[0])
        return
    for path in CHANNEL_FIELDS:
        draft.lack(path, Reason.MLO_MULTIPLE_LINKS)
    if "rssi_dbm" not in draft.values:
        draft.lack("rssi_dbm", Reason.MLO_MULTIPLE_LINKS)


def _link(of_interface: Attributes, of_station: Attributes, names: PlaceNames) -> Draft:
    """Return one link. Its address in the interface's answer is the laptop's own; only the station's is the BSSID."""
    link = Draft()
    link.put("link_id", *_whole(of_interface, "MLO_LINK_ID"))
    put_bssid(link, of_station, names)
    put_channel(link, of_interface)
    info = of_station.get("STA_INFO")
    if isinstance(info, Mapping) and not _is_malformed(info):
        put_signal(link, info)
        link.derived -= {"rssi_avg_dbm", "beacon_rssi_dbm"}
        put_rate(link, "tx", info, "TX_BITRATE")
        put_rate(link, "rx", info, "RX_BITRATE")
    return link


def _take_from_only_link(draft: Draft, link: Draft) -> None:
    for path in ("rssi_dbm", "rssi_avg_dbm", "beacon_rssi_dbm"):
        if path not in draft.values and path in link.values:
            draft.put(path, link.values[path])


def put_channel(draft: Draft, holder: Attributes) -> None:
    """Set channel fields from attributes of an interface or of one link."""
    freq_mhz, freq_reason = _whole(holder, "WIPHY_FREQ")
    code, width_reason = _whole(holder, "CHANNEL_WIDTH")
    centre_mhz, centre_reason = _whole(holder, "CENTER_FREQ1")
    width_mhz = None if code is None else WIDTH_MHZ.get(code)
    draft.channel(freq_mhz, width_mhz, centre_mhz, freq_reason)
    if width_mhz is None:
        draft.lack("width_mhz", width_reason if code is None else Reason.INVALID_VALUE)
    if centre_mhz is None:
        draft.lack("centre_mhz", centre_reason)
    draft.put("punctured", *_whole(holder, "PUNCT_BITMAP"))


def _put_survey(draft: Draft, raw: Observation, before: Observation | None) -> None:
    if "survey" not in raw:
        draft.lack("noise_dbm", Reason.NOT_SAMPLED)
        draft.lack("busy_pct", Reason.NOT_SAMPLED)
        return
    entries, error = _list(raw, "survey")
    now = _in_use(entries)
    draft.put("noise_dbm", *(_whole(now, "NOISE", signed=True) if error is None else (None, error)))
    if error is not None:
        draft.lack("busy_pct", error)
        return
    earlier = _in_use(_list(before or {}, "survey")[0])
    same = earlier.get("FREQUENCY") == now.get("FREQUENCY")
    span = _difference(now, earlier, "TIME") if same else None
    busy = _difference(now, earlier, "TIME_BUSY") if same else None
    if span is None or busy is None:
        reported = "TIME" in now and "TIME_BUSY" in now
        draft.lack("busy_pct", Reason.NOT_SAMPLED if reported else Reason.NOT_REPORTED_BY_DRIVER)
    else:
        draft.derive("busy_pct", 100 * busy / span if span > 0 else None, Reason.STALE)


def _in_use(entries: list[Attributes]) -> Attributes:
    for entry in entries:
        info = entry.get("SURVEY_INFO")
        if isinstance(info, Mapping) and info.get("IN_USE") is True:
            return info
    return {}


def _difference(now: Attributes, before: Attributes, name: str) -> int | None:
    new, old = _whole(now, name)[0], _whole(before, name)[0]
    return None if new is None or old is None or new < old else new - old


def _access_point(stations: list[Attributes]) -> Attributes | None:
    """Return the station that is the access point: not a direct-link peer; an associated one before others."""
    candidates = [station for station in stations if not _has_flag(station, "TDLS_PEER")]
    return next((station for station in candidates if _has_flag(station, "ASSOCIATED")), next(iter(candidates), None))


def _has_flag(station: Attributes, flag: str) -> bool:
    info = station.get("STA_INFO")
    flags = info.get("STA_FLAGS") if isinstance(info, Mapping) else None
    return isinstance(flags, Mapping) and flags.get(flag) is True


def _is_malformed(value: object) -> bool:
    return isinstance(value, Mapping) and value.get("malformed") is True


def _missing(holder: Attributes, name: str) -> Reason:
    return Reason.PARSE_ERROR if _is_malformed(holder.get(name)) else Reason.NOT_REPORTED_BY_DRIVER


def _whole(holder: Attributes, name: str, *, signed: bool = False) -> tuple[int | None, Reason]:
    """Return a whole number, or None and why there is none."""
    value = holder.get(name)
    if value is None:
        return None, Reason.NOT_REPORTED_BY_DRIVER
    if not isinstance(value, int) or isinstance(value, bool) or (value < 0 and not signed):
        return None, Reason.PARSE_ERROR
    return value, Reason.NOT_REPORTED_BY_DRIVER


def _error(part: object) -> Reason | None:
    if not isinstance(part, Mapping) or "error" not in part:
        return None
    try:
        return Reason(part["error"])
    except ValueError:
        return Reason.PARSE_ERROR


def _part(raw: Observation, name: str) -> tuple[Attributes, Reason | None]:
    part = raw.get(name)
    error = _error(part)
    if error is not None or not isinstance(part, Mapping):
        return {}, error or (Reason.NOT_SAMPLED if part is None else Reason.PARSE_ERROR)
    return part, None


def _list(raw: Observation, name: str) -> tuple[list[Attributes], Reason | None]:
    part = raw.get(name)
    error = _error(part)
    if error is not None or not isinstance(part, list):
        return [], error or (Reason.NOT_SAMPLED if part is None else Reason.PARSE_ERROR)
    return [entry for entry in part if isinstance(entry, Mapping)], None
