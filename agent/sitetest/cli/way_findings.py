"""Which interface carries the test, and what that means for it: a person at a desk may have forgotten the cable.

Pure. May import observe.interface, ceilings, report, visit and the standard library only.
"""

from sitetest.ceilings.ethernet import tcp_ceiling_mbps
from sitetest.observe.interface import InterfaceFacts, InterfaceKind
from sitetest.report.wording import rate_text
from sitetest.visit.diagnosis import Route
from sitetest.visit.preflight import Check

GIGABIT_MBPS = 1000
"""Below this a wired hop is slower than most Wi-Fi. Common practice, no source."""

KIND_WORDS = {
    InterfaceKind.WIFI: "Wi-Fi",
    InterfaceKind.ETHERNET: "a cable",
    InterfaceKind.TUNNEL: "a tunnel",
    InterfaceKind.OTHER: "neither Wi-Fi nor a cable",
    None: "Wi-Fi or a cable, this system does not tell which",
}
_STEPS = {
    InterfaceKind.ETHERNET: "To measure Wi-Fi, unplug the cable. To measure the wire itself: sitetest check --baseline",
    InterfaceKind.TUNNEL: "Switch the VPN or the tunnel off: it would be measured instead of the network.",
}


def way_findings(name: str, route: Route, facts: InterfaceFacts | None, *, wire_wanted: bool = False) -> list[Check]:
    """Say over which interface packets leave, and what limits that interface.

    facts: None where the interface is not known. wire_wanted: the wire is to be measured, so that a cable is right.
    """
    if facts is None:
        return [Check(name, True, f"over an unknown interface, from {route.local_address}")]
    right = facts.kind not in _STEPS or (wire_wanted and facts.kind is InterfaceKind.ETHERNET)
    words = ", ".join([KIND_WORDS[facts.kind], *_wired_words(facts)])
    way = Check(
        name,
        right,
        f"over {facts.name} ({words}), from {route.local_address}",
        "" if right or facts.kind is None else _STEPS[facts.kind],
    )
    return [way, *_slow_wire(facts), *_slow_port(facts)]


def cable_note(facts: InterfaceFacts) -> str:
    """Say at the start of a run that it measures a wire or a tunnel, not the air; empty where it does not."""
    if facts.kind not in _STEPS:
        return ""
    words = ", ".join([KIND_WORDS[facts.kind], *_wired_words(facts)])
    measured = "the wire" if facts.kind is InterfaceKind.ETHERNET else "the tunnel"
    return f"This run goes over {facts.name} ({words}): it measures {measured}, not Wi-Fi."


def _wired_words(facts: InterfaceFacts) -> list[str]:
    words = []
    if facts.speed_mbps is not None and facts.kind is not InterfaceKind.WIFI:
        duplex = f" {facts.duplex} duplex" if facts.duplex else ""
        words.append(f"{facts.speed_mbps} Mbit/s{duplex}")
    elif facts.kind is InterfaceKind.ETHERNET:
        words.append("speed not told")
    return words


def _slow_wire(facts: InterfaceFacts) -> list[Check]:
    if facts.kind is not InterfaceKind.ETHERNET:
        return []
    found = []
    if facts.duplex == "half":
        found.append("half duplex")
    if facts.speed_mbps is not None and facts.speed_mbps < GIGABIT_MBPS:
        ceiling = tcp_ceiling_mbps(facts.speed_mbps, facts.mtu or 1500)
        found.append(f"{facts.speed_mbps} Mbit/s, which carries at most {rate_text(ceiling)} Mbit/s of TCP payload")
    if not found:
        return []
    step = "Try another cable and another port; gigabit Ethernet needs all four pairs of the cable."
    return [Check(f"wire at {facts.name}", False, "; ".join(found), step)]


def _slow_port(facts: InterfaceFacts) -> list[Check]:
    if facts.usb_mbps is None or facts.usb_mbps >= GIGABIT_MBPS:
        return []
    detail = f"{facts.name} hangs on a USB port of {facts.usb_mbps} Mbit/s, which carries less than that"
    return [Check(f"port of {facts.name}", False, detail, "Use a USB 3 port.")]
