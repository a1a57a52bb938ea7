"""What stood beside a transfer and may explain its figure: the flags of one attempt, and those that nobody can tell.

    found = confounders(Scene(result=..., observed=..., window=..., ...))
    judgement = weighed(judge(evidence), found)

:func:`confounders` is pure and total: it never raises, whatever the observers wrote down. A flag of the table that this
system, or this attempt, gives no way of telling is named in ``unknown``, never silently absent. Rows about a radio do
not apply to a transfer over a cable, and rows about a cable not to one that never left the computer: these are neither
raised nor unknown.

May import visit, engines, observe, store.records and the standard library only.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from sitetest.store.records import Flag, Status
from sitetest.visit import radio_flags, wire_flags
from sitetest.visit.flag_table import ROWS, Severity
from sitetest.visit.scene import UNKNOWN, Earlier, Finding, Scene, Seen
from sitetest.visit.validity import Judgement

__all__ = ["Confounders", "Earlier", "Scene", "confounders", "weighed"]


@dataclass(frozen=True, slots=True)
class Confounders:
    """flags: in the order of the table. unknown: names of the rows that could not be evaluated, in the same order."""

    flags: tuple[Flag, ...] = ()
    unknown: tuple[str, ...] = ()


RADIO: Mapping[str, Callable[[Scene], Finding]] = {
    "wrong_radio": radio_flags.wrong_radio,
    "roamed": radio_flags.roamed,
    "reassociated": radio_flags.reassociated,
    "band_changed": radio_flags.band_changed,
    "radio_changed": radio_flags.radio_changed,
    "width_fallback": radio_flags.width_fallback,
    "narrow_frames": radio_flags.narrow_frames,
    "punctured": radio_flags.punctured,
    "channel_moved": radio_flags.channel_moved,
    "link_set_changed": radio_flags.link_set_changed,
    "scanned": radio_flags.scanned,
    "power_save": radio_flags.power_save,
    "moved_client": radio_flags.moved_client,
    "frozen_rssi": radio_flags.frozen_rssi,
    "asymmetric_rates": radio_flags.asymmetric_rates,
    "radio_retries": radio_flags.radio_retries,
    "busy_channel": radio_flags.busy_channel,
    "reader_expensive": radio_flags.reader_expensive,
    "permission_lost": radio_flags.permission_lost,
}
"""Rows that speak of a radio."""

OTHERS: Mapping[str, Callable[[Scene], Finding]] = {
    "other_traffic": wire_flags.other_traffic,
    "server_traffic": wire_flags.server_traffic,
    "wired_ceiling": wire_flags.wired_ceiling,
    "slow_wire": wire_flags.slow_wire,
    "half_duplex": wire_flags.half_duplex,
    "wire_changed": wire_flags.wire_changed,
    "not_wifi": wire_flags.not_wifi,
    "tunnel": wire_flags.tunnel,
    "link_flap": wire_flags.link_flap,
    "eee": wire_flags.eee,
    "usb2": wire_flags.usb2,
    "laptop_cpu": wire_flags.laptop_cpu,
    "server_cpu": wire_flags.server_cpu,
    "on_battery": wire_flags.on_battery,
    "saver": wire_flags.saver,
    "suspended": wire_flags.suspended,
    "stalled_host": wire_flags.stalled_host,
    "tcp_differs": wire_flags.tcp_differs,
}

EXCUSES_FAILURE = frozenset({"suspended"})
"""Flags that make a *failed* attempt invalid as well: the laptop's own doing, not the AP config's. A roam or a lost
link does not: that is how the AP config failed."""


def confounders(scene: Scene) -> Confounders:
    """Evaluate every row of the table."""
    flags, unknown = [], []
    for row in ROWS:
        found = _find(row.name, scene)
        if isinstance(found, Seen):
            flags.append(Flag(row.name, found.what, (found.severity or row.severity).value))
        elif found is UNKNOWN:
            unknown.append(row.name)
    return Confounders(tuple(flags), tuple(unknown))


def weighed(judgement: Judgement, found: Confounders) -> Judgement:
    """Return the judgement in the light of the flags: theirs are added, and an attempt that was ok is invalid when one
    of them is. One that failed, or was stopped, stays so, but for EXCUSES_FAILURE. A flag that the judgement carries
    already is not raised twice."""
    there = {flag.name for flag in judgement.flags}
    if judgement.code == "laptop_saturated":
        there.add("laptop_cpu")
    added = tuple(flag for flag in found.flags if flag.name not in there)
    spoilt = next((flag for flag in added if flag.severity == Severity.INVALID and _may_spoil(flag, judgement)), None)
    flags = (*judgement.flags, *added)
    if spoilt is None:
        return replace(judgement, flags=flags)
    return Judgement(Status.INVALID, f"{spoilt.name}: {spoilt.reason}", flags)


def _may_spoil(flag: Flag, judgement: Judgement) -> bool:
    if judgement.status is Status.OK:
        return True
    return judgement.status is Status.FAILED and flag.name in EXCUSES_FAILURE


def _find(name: str, scene: Scene) -> Finding:
    if name not in RADIO:
        return OTHERS[name](scene)
    return None if scene.over_air is False else RADIO[name](scene)
