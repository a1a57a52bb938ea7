"""What the laptop itself may do to a result: power, other traffic, busy cores, the clock.

Pure. May import observe, visit and the standard library only.
"""

from datetime import datetime

from sitetest.observe.host import HostSample
from sitetest.observe.power import Power
from sitetest.visit.preflight import Check
from sitetest_wire.units import mbps

QUIET_MBPS = 2.0
"""Other traffic above this is said. Our own choice: a hundredth of the slowest result that is usual on Wi-Fi."""

BUSY_CORE_PCT = 50.0
"""A core that is this busy before anything is measured is said. Our own choice."""

CLOCK_APART_S = 30.0
"""Clocks of laptop and server further apart than this are said. Above what an HTTP date (whole seconds) and a slow
answer can make; times in the results are the laptop's."""


def power_finding(power: Power) -> Check:
    """Say whether the laptop runs on its battery or saves energy; either makes it slower."""
    name = "power"
    battery = "" if power.battery_pct is None else f", battery at {power.battery_pct:.0f} %"
    if power.plugged is False:
        saving = " and saves energy" if power.saver else ""
        return Check(name, False, f"runs on its battery{battery}{saving}", "Plug the laptop in: it may be slower so.")
    if power.saver:
        return Check(name, False, f"saves energy{battery}", "Switch the energy saver off for the test.")
    source = "plugged in" if power.plugged else "whether it is plugged in is not told on this system"
    saver = ", energy saver not told on this system" if power.saver is None else ", no energy saver"
    return Check(name, True, f"{source}{battery}{saver}")


def quiet_finding(interface: str, sample: HostSample) -> Check:
    """Say what goes over the interface while nothing is measured, and how busy the processor is."""
    name = "quiet before the test"
    told, steps = [], []
    if sample.received_bytes is None or sample.sent_bytes is None or sample.length_s <= 0:
        told.append(f"other traffic over {interface} cannot be read")
    else:
        down = mbps(sample.received_bytes, sample.length_s)
        up = mbps(sample.sent_bytes, sample.length_s)
        told.append(f"{down:.1f} Mbit/s in and {up:.1f} out over {interface}")
        if down + up > QUIET_MBPS:
            steps.append("end what else uses the network (backups, updates, video)")
    if sample.busiest_core_pct is not None:
        told.append(f"busiest core {sample.busiest_core_pct:.0f} %")
        if sample.busiest_core_pct > BUSY_CORE_PCT:
            steps.append("close programs that keep the processor busy")
    step = " and ".join(steps)
    return Check(name, not steps, ", ".join(told), f"{step[0].upper()}{step[1:]}." if step else "")


def clock_finding(here: datetime, at_server: datetime | None) -> Check:
    """Compare the laptop's wall clock with the server's. at_server: None where it did not say."""
    name = "clock"
    shown = here.astimezone().isoformat(sep=" ", timespec="seconds")
    if at_server is None:
        return Check(name, True, f"{shown}; the server does not tell its own")
    apart_s = (here - at_server).total_seconds()
    if abs(apart_s) <= CLOCK_APART_S:
        return Check(name, True, f"{shown}, as at the server to within {CLOCK_APART_S:.0f} s")
    way = "ahead of" if apart_s > 0 else "behind"
    return Check(
        name,
        False,
        f"{shown}, {_apart_text(abs(apart_s))} {way} the server's",
        "Set the wrong one of the two: the times in the results are the laptop's (durations are not touched).",
    )


def _apart_text(apart_s: float) -> str:
    if apart_s < 120:
        return f"{apart_s:.0f} s"
    if apart_s < 7200:
        return f"{apart_s / 60:.0f} min"
    return f"{apart_s / 3600:.0f} h" if apart_s < 172_800 else f"{apart_s / 86_400:.0f} days"
