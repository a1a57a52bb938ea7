"""Other traffic, the wire and the two computers: one function for each row of the flag table.

Every function returns what it saw, ``UNKNOWN`` where nobody can tell, or None.

Pure. May import engines.window, observe, ceilings, visit.scene, visit.flag_table, sitetest_wire and the standard
library only.
"""

from collections.abc import Sequence

from sitetest.ceilings.ethernet import tcp_ceiling_mbps
from sitetest.engines.window import Window, measuring_window, received_in
from sitetest.observe.clocks import SLEPT_S, ClockEventKind
from sitetest.observe.interface import NOT_USB, InterfaceFacts, InterfaceKind
from sitetest.visit import flag_table as table
from sitetest.visit.flag_table import Severity
from sitetest.visit.scene import UNKNOWN, Finding, Scene, Seen
from sitetest_wire.interface_traffic import other_traffic as traffic_beside
from sitetest_wire.messages import ServerHost
from sitetest_wire.samples import Sample
from sitetest_wire.units import mbps
from sitetest_wire.words import Direction

FULL_FRAME_BYTES = 1514
USUAL_MTU = 1500

# --- other traffic --------------------------------------------------------------------------------------------------


def other_traffic(scene: Scene) -> Finding:
    inside = [
        (one.at_s - one.length_s, one.at_s, one.received_bytes + one.sent_bytes)
        for one in scene.host_in_window
        if one.received_bytes is not None and one.sent_bytes is not None
    ]
    own = scene.result.window
    if scene.stays_here or scene.window is None or own is None:
        return UNKNOWN
    return _beside_payload(scene, inside, scene.result.receiver, own.start_s - scene.window.start_s)


def server_traffic(scene: Scene) -> Finding:
    result, host = scene.result, scene.result.server_host
    samples = result.receiver if result.spec.direction is Direction.UPLOAD else result.sender
    spec = result.spec
    window = measuring_window(samples, spec.streams, spec.warm_up_s, spec.duration_s) if samples else None
    if scene.stays_here or host is None or window is None:
        return UNKNOWN
    inside = [
        (second.at_s - second.length_s, second.at_s, second.received_bytes + second.sent_bytes)
        for second in host.seconds
        if second.received_bytes is not None
        and second.sent_bytes is not None
        and second.length_s > 0
        and second.at_s - second.length_s >= window.start_s
        and second.at_s <= window.end_s
    ]
    return _beside_payload(scene, inside, samples, 0.0)


def _beside_payload(
    scene: Scene, inside: Sequence[tuple[float, float, int]], samples: Sequence[Sample], shift_s: float
) -> Finding:
    """inside: stretches (from, until, bytes of the interface). shift_s: added to them gives the samples' clock."""
    inside = [stretch for stretch in inside if stretch[1] > stretch[0]]
    if not inside:
        return UNKNOWN
    length_s = sum(until_s - from_s for from_s, until_s, _ in inside)
    stretches = [(from_s + shift_s, until_s + shift_s) for from_s, until_s, _ in inside]
    payload = sum(received_in(samples, Window(start_s, end_s)) for start_s, end_s in stretches if end_s > start_s)
    again = (scene.result.retransmits or 0) * FULL_FRAME_BYTES
    seen = traffic_beside(sum(count for _, _, count in inside) - again, payload, length_s)
    blur_mbps = mbps(payload, length_s) * 2 * table.ALIGNMENT_S / length_s
    if seen.mbps <= seen.tolerance_mbps + blur_mbps:
        return None
    return Seen(
        f"{seen.mbps:.1f} Mbit/s went over the interface beside {mbps(payload, length_s):.1f} Mbit/s of payload"
    )


# --- the wire -------------------------------------------------------------------------------------------------------


def not_wifi(scene: Scene) -> Finding:
    facts = scene.observed.interface
    if scene.over_air or scene.stays_here:
        return None
    if facts is None or facts.kind in (None, InterfaceKind.OTHER):
        return UNKNOWN
    if facts.kind is not InterfaceKind.ETHERNET:
        return None  # `tunnel` speaks of it
    if _began_over_wifi(scene):
        return Seen(f"the transfer went over {facts.name}, a cable; the visit began over Wi-Fi", Severity.INVALID)
    return Seen(f"the transfer went over {facts.name}, a cable")


def tunnel(scene: Scene) -> Finding:
    facts = scene.observed.interface
    if facts is None or facts.kind is None:
        return None if scene.over_air or scene.stays_here else UNKNOWN
    if facts.kind is not InterfaceKind.TUNNEL:
        return None
    if _began_over_wifi(scene):
        return Seen(f"the transfer went through {facts.name}, a tunnel; the visit began without it", Severity.INVALID)
    return Seen(f"the transfer went through {facts.name}, a tunnel")


def _began_over_wifi(scene: Scene) -> bool:
    first = scene.earlier.ap_config
    return scene.wifi_expected or (first is not None and first.interface_kind == InterfaceKind.WIFI)


def _cable(scene: Scene) -> InterfaceFacts | None:
    """The laptop's wired end; None when the laptop is on the air."""
    facts = scene.observed.interface
    return facts if facts is not None and facts.kind is InterfaceKind.ETHERNET else None


def _speeds_mbps(scene: Scene) -> list[tuple[str, int | None]]:
    """The wired ends and their speeds; None where a speed is not told. No end where it is not known that it is one."""
    cable, host = _cable(scene), scene.result.server_host
    ends = [] if scene.over_air else [("the laptop's cable", None if cable is None else cable.speed_mbps)]
    return [*ends, ("the server's cable", None if host is None else host.speed_mbps)]


def wired_ceiling(scene: Scene) -> Finding:
    if scene.stays_here:
        return None
    cable = _cable(scene)
    mtu = cable.mtu if cable is not None and cable.mtu is not None and cable.mtu > 100 else USUAL_MTU
    ipv6 = ":" in (scene.result.local_address or "")
    speeds = _speeds_mbps(scene)
    limits = [(tcp_ceiling_mbps(speed, mtu, ipv6=ipv6), f"{end} at {speed} Mbit/s") for end, speed in speeds if speed]
    if scene.wire_mbps is not None and scene.wire_mbps > 0:
        limits.append((scene.wire_mbps, "the wired baseline"))
    throughput_mbps = scene.result.throughput_mbps
    if not limits or throughput_mbps is None:
        return UNKNOWN
    limit_mbps, who = min(limits)
    if throughput_mbps >= table.CEILING_SHARE * limit_mbps:
        return Seen(
            f"{throughput_mbps:.1f} Mbit/s is {throughput_mbps / limit_mbps:.0%} of the {limit_mbps:.1f} Mbit/s that "
            f"{who} {'gave' if who == 'the wired baseline' else 'carries'}"
        )
    told = scene.wire_mbps is not None or all(speed for _, speed in speeds)
    return None if told else UNKNOWN


def slow_wire(scene: Scene) -> Finding:
    if scene.stays_here:
        return None
    speeds = _speeds_mbps(scene)
    slow = [
        f"{end} runs at {speed} Mbit/s" for end, speed in speeds if speed is not None and speed < table.GIGABIT_MBPS
    ]
    if slow:
        return Seen("; ".join(slow))
    return UNKNOWN if any(speed is None for _, speed in speeds) else None


def half_duplex(scene: Scene) -> Finding:
    if scene.stays_here:
        return None
    cable, host = _cable(scene), scene.result.server_host
    ends = [] if scene.over_air else [("the laptop's cable", None if cable is None else cable.duplex)]
    ends.append(("the server's cable", None if host is None else host.duplex))
    half = [end for end, duplex in ends if duplex == "half"]
    if half:
        return Seen(f"{' and '.join(half)} {'run' if len(half) > 1 else 'runs'} at half duplex")
    return UNKNOWN if any(duplex is None for _, duplex in ends) else None


def wire_changed(scene: Scene) -> Finding:
    if scene.stays_here:
        return None
    first = scene.earlier.ap_config
    cable, host = _cable(scene), scene.result.server_host
    ends = [("the server's cable", None if host is None else host.speed_mbps, first and first.server_link_mbps)]
    if cable is not None:
        ends.append(("the laptop's cable", cable.speed_mbps, first and first.link_mbps))
    if first is None:
        return UNKNOWN if any(now is None for _, now, _ in ends) else None
    for end, now, before in ends:
        if now is not None and before is not None and now != before:
            return Seen(f"{end} runs at {now} Mbit/s; it ran at {before} Mbit/s in the first counted attempt")
    return UNKNOWN if any(None in (now, before) for _, now, before in ends) else None


def link_flap(scene: Scene) -> Finding:
    before, after = scene.observed.interface, scene.observed.interface_after
    if scene.over_air or scene.stays_here:
        return None  # on the air, a link that went is `reassociated`
    counts = [None if one is None else one.carrier_changes for one in (before, after)]
    if counts[0] is None or counts[1] is None or before is None or after is None or before.name != after.name:
        return UNKNOWN
    changes = counts[1] - counts[0]
    return Seen(f"the link of {before.name} changed {changes} times") if changes > 0 else None


def eee(scene: Scene) -> Finding:
    if scene.over_air or scene.stays_here:
        return None
    told = [one.eee for one in (scene.observed.interface, scene.observed.interface_after) if one is not None]
    if any(told):
        return Seen("Energy-Efficient Ethernet is in use at the laptop's end")
    return None if any(one is False for one in told) else UNKNOWN


def usb2(scene: Scene) -> Finding:
    if scene.stays_here:
        return None
    facts, slow = scene.observed.interface, scene.observed.facts_before
    speeds = [one.usb_mbps for one in (facts, slow) if one is not None and one.usb_mbps is not None]
    if any(speed <= table.USB2_MBPS for speed in speeds):
        return Seen(f"the adapter hangs on a USB port of {min(speeds):g} Mbit/s")
    inside = facts is not None and facts.why.get("usb_mbps") == NOT_USB
    return None if speeds or inside else UNKNOWN


# --- the computers --------------------------------------------------------------------------------------------------


def laptop_cpu(scene: Scene) -> Finding:
    return _busy_cores("the laptop", [one.busiest_core_pct for one in scene.host_in_window])


def server_cpu(scene: Scene) -> Finding:
    host: ServerHost | None = scene.result.server_host
    return _busy_cores("the server", [] if host is None else [second.busiest_core_pct for second in host.seconds])


def _busy_cores(where: str, told: Sequence[float | None]) -> Finding:
    known = [pct for pct in told if pct is not None]
    if not known:
        return UNKNOWN
    busy = [pct for pct in known if pct > table.CORE_PCT]
    if len(busy) <= table.CORE_SHARE * len(known):
        return None
    return Seen(f"a core of {where} was above {table.CORE_PCT:g} % in {len(busy)} of {len(known)} seconds")


def on_battery(scene: Scene) -> Finding:
    known = [one.plugged for one in scene.host if one.plugged is not None]
    if not known:
        return UNKNOWN
    unplugged, first = not all(known), scene.earlier.ap_config
    before = None if first is None else first.plugged
    words = "on its battery" if unplugged else "on the mains"
    if before is not None and before is unplugged:
        was = "on the mains" if before else "on its battery"
        return Seen(f"the laptop runs {words}; in the first counted attempt it ran {was}", Severity.DOUBT)
    return Seen(f"the laptop runs {words}") if unplugged else None


def saver(scene: Scene) -> Finding:
    known = [one.saver for one in scene.host if one.saver is not None]
    if not known:
        return UNKNOWN
    return Seen("an energy-saving mode is on") if any(known) else None


def suspended(scene: Scene) -> Finding:
    slept_s = [one.slept_s for one in scene.host if one.slept_s is not None]
    slept_s += [
        e.seconds for one in scene.host for e in one.events if e.kind is ClockEventKind.SUSPEND and not one.slept_s
    ]
    if sum(slept_s) > SLEPT_S:
        return Seen(f"the laptop slept for {sum(slept_s):.1f} s")
    return None if slept_s else UNKNOWN


def stalled_host(scene: Scene) -> Finding:
    stood_s = [event.seconds for one in scene.host for event in one.events if event.kind is ClockEventKind.STALL]
    if stood_s:
        return Seen(f"the laptop's record has a gap of {max(stood_s):.1f} s")
    return None if scene.host else UNKNOWN


def tcp_differs(scene: Scene) -> Finding:
    first, now = scene.earlier.case, scene.result
    pairs: list[tuple[str, object, object]] = [
        ("congestion control", now.congestion_control, first and first.congestion_control)
    ]
    if not scene.stays_here:  # the kernel's own two sizes on a loopback, of up to 64 kB, come and go
        pairs.append(("segment size", now.mss_bytes, first and first.mss_bytes))
    if first is None:
        return UNKNOWN if any(here is None for _, here, _ in pairs) else None
    for what, here, before in pairs:
        if here is not None and before is not None and here != before:
            return Seen(f"{what} is {here}; it was {before} in the first counted attempt")
    return UNKNOWN if any(None in (here, before) for _, here, before in pairs) else None
