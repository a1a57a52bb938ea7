"""The radio link now, and what of it cannot be seen on this system.

Pure. May import observe, visit and the standard library only.
"""

from dataclasses import dataclass

from sitetest.cli.link_sample_words import link_text, unread_text
from sitetest.observe.link.reasons import IN_WORDS, Reason
from sitetest.observe.link.record import LinkFacts, LinkSample
from sitetest.visit.preflight import Check

FIELD_WORDS = {
    "bssid": "which access point",
    "channel": "channel",
    "width_mhz": "width",
    "rssi_dbm": "signal",
    "rx": "rate down",
    "tx": "rate up",
    "noise_dbm": "noise",
    "busy_pct": "how busy the channel is",
    "retries": "retries",
}
"""Fields of a sample that explain a result, as people call them. What else is missing is in the records."""

EVENTS = "roams and scans between two seconds"

_STEPS = {
    Reason.NOT_ASSOCIATED: "Connect the laptop to the network under test.",
    Reason.NETLINK_BLOCKED: "Start sitetest outside the sandbox or container; a run measures all the same.",
    Reason.NEEDS_LOCATION_PERMISSION: "docs/link-state.md says what the system wants; a run measures all the same.",
}


@dataclass(frozen=True, slots=True)
class RadioSeen:
    """What a reader saw of one interface. explanation: of a reader that cannot be had, in words; may be empty.
    events: the system tells of roams and scans as they happen. blind: names of the flags that stay unknown here."""

    sample: LinkSample
    facts: LinkFacts
    events: bool
    explanation: str = ""
    blind: tuple[str, ...] = ()


def radio_findings(seen: RadioSeen) -> list[Check]:
    """Say the link now, what of it cannot be seen, and whether Wi-Fi power save is on."""
    sample = seen.sample
    text = link_text(sample) if sample.associated is not False else ""
    if not text:
        reason = Reason.NOT_ASSOCIATED if sample.associated is False else sample.why.get("associated")
        step = _STEPS.get(reason, "") if reason is not None else ""
        return [Check("radio link", False, f"not read: {unread_text(sample)}", seen.explanation or step)]
    at = " on ".join(filter(None, [sample.bssid, sample.ssid]))
    link = Check("radio link", True, f"{text}{f', {at}' if at else ''}")
    return [link, *_power_save(seen.facts), *_unseen(seen)]


def _power_save(facts: LinkFacts) -> list[Check]:
    if facts.power_save is None:
        return []
    if facts.power_save:
        return [
            Check(
                "Wi-Fi power save",
                False,
                "on: the radio sleeps between packets, which costs round trips and throughput",
                "Switch it off for the test, or leave it as it is in every run that is to be compared.",
            )
        ]
    return [Check("Wi-Fi power save", True, "off")]


def _unseen(seen: RadioSeen) -> list[Check]:
    """Say what cannot be seen, by reason; what was only not asked for at this moment is left out."""
    missing = {field: seen.sample.why[field] for field in FIELD_WORDS if field in seen.sample.why}
    by_reason: dict[str, list[str]] = {}
    for field, reason in missing.items():
        if reason not in (Reason.NOT_SAMPLED, Reason.MLO_MULTIPLE_LINKS):
            by_reason.setdefault(IN_WORDS[reason], []).append(FIELD_WORDS[field])
    if not seen.events:
        by_reason.setdefault("this system or this program's rights do not allow it", []).append(EVENTS)
    if seen.facts.power_save is None:
        reason = seen.facts.why.get("power_save", Reason.NOT_SAMPLED)
        by_reason.setdefault(IN_WORDS[reason], []).append("Wi-Fi power save")
    if not by_reason:
        return [Check("not to be seen here", True, "nothing: the system tells all that is asked for")]
    told = "; ".join(f"{', '.join(fields)} ({reason})" for reason, fields in by_reason.items())
    flags = f"; flags that stay unknown: {', '.join(seen.blind)}" if seen.blind else ""
    return [Check("not to be seen here", True, told + flags)]
