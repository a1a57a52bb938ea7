"""From what Windows' WLAN API answered to the link record. Pure, and never raises.

An observation has one entry an opcode, as `wlanapi_structures.py` reads it; each may be `{"error": code}` with the
error number of Windows, or `{"malformed": true}`:

    {"state": 1, "realtime": {"phy": 8, "rx_kbps": 780000, "tx_kbps": 866700, "is_mlo": false, "links": [
        {"link_id": 0, "frequency": 5745, "bandwidth_mhz": 80, "rssi_dbm": -47}]},
     "connection": {"ssid_hex": "..", "bssid": "..", "phy": 8, "rx_kbps": .., "tx_kbps": ..},
     "rssi": -47, "channel": 149}

or {"error": reason code of ours}. `rssi` and `channel` are asked for only when `realtime` is refused. Windows tells
neither MCS, streams, guard interval nor noise.

May import sitetest.ceilings and its neighbours only.
"""

from collections.abc import Mapping
from typing import Any

from sitetest.ceilings.channels import Band, frequency_of
from sitetest.observe.link.draft import Draft
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment
from sitetest.observe.link.wlanapi_structures import STATE_CONNECTED

ACCESS_DENIED = 5
NOT_SUPPORTED = 50
INVALID_PARAMETER = 87
SERVICE_NOT_ACTIVE = 1062
NOT_FOUND = 1168
INVALID_STATE = 5023

REASONS = {
    ACCESS_DENIED: Reason.NEEDS_LOCATION_PERMISSION,
    NOT_SUPPORTED: Reason.NOT_SUPPORTED_BY_OS,
    INVALID_PARAMETER: Reason.NOT_SUPPORTED_BY_OS,
    SERVICE_NOT_ACTIVE: Reason.READER_UNAVAILABLE,
    NOT_FOUND: Reason.NOT_SUPPORTED_BY_OS,
    INVALID_STATE: Reason.NOT_ASSOCIATED,
}
OLDER_WINDOWS = frozenset({NOT_SUPPORTED, INVALID_PARAMETER, NOT_FOUND})
"""Errors by which a Windows says that it does not know opcode 19."""

PHYS = {4: "legacy", 5: "legacy", 6: "legacy", 7: "HT", 8: "VHT", 10: "HE", 11: "EHT"}
KILOHERTZ_ABOVE = 100_000
"""The documentation calls the frequency kilohertz, real answers were in MHz: no channel has 100 GHz."""

NOT_TOLD = ("centre_mhz", "rssi_avg_dbm", "beacon_rssi_dbm", "noise_dbm", "busy_pct", "punctured", "retries",
            "tx_failed", "tx_packets", "beacon_loss", "connected_s", "associated_at_s", "power_save")  # fmt: skip


def reason_of(code: object) -> Reason:
    """Return our reason code for an error number of Windows."""
    return REASONS.get(code, Reason.READER_UNAVAILABLE) if isinstance(code, int) else Reason.PARSE_ERROR


def decode_sample(
    raw: Observation,
    moment: Moment,
    names: PlaceNames,
    before: Observation | None = None,  # noqa: ARG001  the same signature for all systems
) -> LinkSample:
    """Return the sample of an observation."""
    draft = Draft()
    if "error" in raw:
        try:
            return draft.sample(moment, Reason(raw["error"]))
        except ValueError:
            return draft.sample(moment, Reason.PARSE_ERROR)
    realtime, realtime_error = _part(raw, "realtime")
    connection, connection_error = _part(raw, "connection")
    state = raw.get("state")
    disconnected = isinstance(state, int) and state != STATE_CONNECTED
    if disconnected or Reason.NOT_ASSOCIATED in (realtime_error, connection_error):
        draft.put("associated", False)
        return draft.sample(moment, Reason.NOT_ASSOCIATED)
    known = state == STATE_CONNECTED or realtime_error is None or connection_error is None
    draft.put("associated", True if known else None, realtime_error or Reason.NOT_REPORTED_BY_DRIVER)
    for name in NOT_TOLD:
        draft.lack(name, Reason.NOT_SUPPORTED_BY_OS)
    _put_names(draft, connection, connection_error, names)
    rates, rates_error = (realtime, None) if realtime_error is None else (connection, connection_error)
    _put_rates(draft, rates, rates_error)
    if realtime_error is None:
        _put_links(draft, realtime)
    else:
        _put_older(draft, raw)
    return draft.sample(moment, Reason.NOT_SUPPORTED_BY_OS)


def decode_facts(raw: Observation, moment: Moment) -> LinkFacts:
    """Return the slow facts: Windows tells none of them but its own version."""
    draft = Draft()
    draft.put("system", raw.get("system"), Reason.NOT_SAMPLED)
    return draft.facts(moment, Reason.NOT_SUPPORTED_BY_OS)


def _put_names(draft: Draft, connection: Mapping[str, Any], error: Reason | None, names: PlaceNames) -> None:
    for path, key in (("ssid", "ssid_hex"), ("bssid", "bssid")):
        text = connection.get(key)
        if not isinstance(text, str) or not text:
            draft.lack(path, error or Reason.NOT_REPORTED_BY_DRIVER)
            continue
        try:
            draft.put(path, names.ssid(bytes.fromhex(text)) if path == "ssid" else names.bssid(text))
        except ValueError:
            draft.lack(path, Reason.PARSE_ERROR)


def _put_rates(draft: Draft, holder: Mapping[str, Any], error: Reason | None) -> None:
    code = holder.get("phy")
    draft.put("phy", PHYS.get(code) if isinstance(code, int) else None, error or Reason.INVALID_VALUE)
    for way, key in (("tx", "tx_kbps"), ("rx", "rx_kbps")):
        rate_kbps = holder.get(key)
        mbps = rate_kbps / 1000 if isinstance(rate_kbps, int) and not isinstance(rate_kbps, bool) else None
        draft.put(f"{way}.mbps", mbps, error or Reason.NOT_REPORTED_BY_DRIVER)
        for part in ("mcs", "nss", "gi_ns", "width_mhz", "phy"):
            draft.lack(f"{way}.{part}", Reason.NOT_SUPPORTED_BY_OS)


def _put_links(draft: Draft, realtime: Mapping[str, Any]) -> None:
    listed = realtime.get("links")
    links = [link for link in listed if isinstance(link, Mapping)] if isinstance(listed, list) else []
    is_mlo = realtime.get("is_mlo")
    draft.put("mlo", is_mlo if isinstance(is_mlo, bool) else None, Reason.PARSE_ERROR)
    draft.links = [_link(link) for link in links] if is_mlo is True else []
    if len(links) == 1:
        _put_channel(draft, links[0])
        draft.put("rssi_dbm", links[0].get("rssi_dbm"))
        return
    reason = Reason.MLO_MULTIPLE_LINKS if links else Reason.NOT_REPORTED_BY_DRIVER
    for path in ("freq_mhz", "band", "channel", "dfs", "width_mhz", "rssi_dbm"):
        draft.lack(path, reason)


def _link(link: Mapping[str, Any]) -> Draft:
    draft = Draft()
    draft.put("link_id", link.get("link_id"))
    _put_channel(draft, link)
    draft.put("rssi_dbm", link.get("rssi_dbm"))
    return draft


def _put_channel(draft: Draft, link: Mapping[str, Any]) -> None:
    frequency = link.get("frequency")
    if isinstance(frequency, int) and frequency > KILOHERTZ_ABOVE:
        frequency //= 1000
    draft.channel(frequency if isinstance(frequency, int) else None, link.get("bandwidth_mhz"), None)
    draft.lack("centre_mhz", Reason.NOT_SUPPORTED_BY_OS)


def _put_older(draft: Draft, raw: Observation) -> None:
    """Set what older opcodes tell. Where two bands have a channel of that number, the band stays unknown."""
    for path in ("mlo", "links", "width_mhz"):
        draft.lack(path, Reason.NOT_SUPPORTED_BY_OS)
    for path, key in (("rssi_dbm", "rssi"), ("channel", "channel")):
        value = raw.get(key)
        if isinstance(value, Mapping):
            draft.lack(path, reason_of(value["error"]) if "error" in value else Reason.PARSE_ERROR)
        else:
            draft.put(path, value)
    bands = _bands_with(draft.values.get("channel"))
    if len(bands) == 1:
        freq_mhz = frequency_of(draft.values["channel"], bands[0])
        draft.channel(freq_mhz, None, None, Reason.NOT_SUPPORTED_BY_OS, computed=True)
        draft.lack("centre_mhz", Reason.NOT_SUPPORTED_BY_OS)


def _bands_with(channel: int | None) -> list[Band]:
    found = []
    for band in Band:
        try:
            frequency_of(channel or 0, band)
        except ValueError:
            continue
        if band is not Band.GHZ_6 or channel == 2 or (channel or 0) % 4 == 1:  # 20 MHz channels of 6 GHz: 1, 5, 9, ...
            found.append(band)
    return found


def _part(raw: Observation, name: str) -> tuple[Mapping[str, Any], Reason | None]:
    part = raw.get(name)
    if not isinstance(part, Mapping):
        return {}, Reason.NOT_SAMPLED if part is None else Reason.PARSE_ERROR
    if "error" in part:
        return {}, reason_of(part["error"])
    return ({}, Reason.PARSE_ERROR) if part.get("malformed") is True else (part, None)
