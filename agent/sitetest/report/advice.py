"""What to do next about an attempt that failed, did not count, or carries a flag.

One sentence each, addressed to the person in the room. Advice never proposes a channel, width or power as allowed: that
is set by each country. Pure. May import store.records and the standard library only.
"""

from collections.abc import Sequence

from sitetest.store.records import AttemptRecord, Flag, Status

CODE_ADVICE = {
    "outlier": "nothing by hand: it is kept and counted, and earned an extra repeat if one was left.",
    "laptop_cpu": "close other programs, plug the laptop in, and measure again: the laptop may have been the limit.",
    "laptop_saturated": "close other programs and plug the laptop in, or try --engine iperf3.",
    "server_cpu": "use a faster machine for the test server: it may have been the limit.",
    "stall": "nothing by hand: it is kept and counted; if it comes again, look for roaming or interference here.",
    "path_changed": "keep the laptop on one network: no second cable, no VPN; then measure this location again.",
    "shared": "let this agent have the test server to itself, then measure this location again.",
    "server_gone": "see that sitetest-server runs and its machine stays awake, then measure this location again.",
    "refused": "see that sitetest-server runs and no firewall blocks its ports, then measure this location again.",
    "lease": "run `sitetest check`: it asks the test server for a lease and says what it answers.",
    "certificate": "run `sitetest check`: the server's certificate is not trusted here.",
    "engine_unusable": "run `sitetest check`: it says which engine is missing and how to get it.",
    "engine_fault": "a fault of ours: please report it with this text; then measure this location again.",
    "unreachable": "it counts as a failure; `sitetest check` tells whether laptop, network or server was at fault.",
    "clock_step": "nothing by hand: order and durations do not come from the clock that was set.",
    "wrong_radio": "put the laptop on the declared access point, or correct profiles/site.toml; then measure again.",
    "roamed": "stay in one place, or switch the other access point off meanwhile; then measure this location again.",
    "reassociated": "measure this location again; if it comes again, find out what drops the link.",
    "band_changed": "keep the laptop on one band, or declare the band in profiles/site.toml; then measure again.",
    "radio_changed": "measure again with the laptop on the access point that the first attempts were on.",
    "width_fallback": "look who else uses the channel; measure again, or declare the width that is really there.",
    "channel_moved": "measure this location again; on radar channels an access point may have to leave: local rules.",
    "scanned": "close what looks for networks (location services, a network list that is open); then measure again.",
    "power_save": "switch Wi-Fi power save off, or leave it as it was, for all attempts alike.",
    "moved_client": "put the laptop back where it stood, or measure this place under a location of its own.",
    "busy_channel": "measure again when the neighbours are quiet, or take the result as that of a busy hour.",
    "other_traffic": "stop downloads, backups and updates on the laptop; then measure this location again.",
    "server_traffic": "leave the test server's machine to the test; then measure this location again.",
    "wired_ceiling": "the cable was the limit: a faster wired link to the server would show more.",
    "slow_wire": "look at cable, plug and switch of the wired end: it runs below gigabit.",
    "half_duplex": "look at cable and switch of the wired end: half duplex is a fault.",
    "not_wifi": "pull the cable if Wi-Fi is to be measured; over the cable it is a wired baseline.",
    "tunnel": "switch the VPN off, then measure this location again.",
    "on_battery": "plug the laptop in for all attempts alike.",
    "saver": "switch the energy-saving mode off for all attempts alike.",
    "link_set_changed": "measure this location again; if it comes again, not all of its links hold here.",
    "wire_changed": "look at cable, plug and switch of the wired end, then measure all attempts over the same wire.",
    "link_flap": "look at the plug of the laptop's cable, then measure this location again.",
    "stalled_host": "close other programs on the laptop, then measure this location again.",
    "tcp_differs": "leave congestion control and network settings as they were, or name one in the profile.",
    "suspended": "keep the laptop awake: plug it in, and leave its lid open.",
    "data_cap": "raise [limits] internet_data_gb in the profile if the volume may be used, then measure again.",
}
"""By the code word that a flag is named after and that a reason begins with (`visit/validity.py`, `visit/retry.py`)."""

SIMULATED = "simulated"

SET_APART = frozenset({"outlier", "stall"})
"""Notes that tell one attempt from the others of its case."""

MADE_GOOD = "nothing: it was measured again, and that attempt counts."

STATUS_ADVICE = {
    Status.OK: "read what was seen before you rely on this attempt.",
    Status.FAILED: "it counts as a failure of this AP config; if the cause lay elsewhere, measure this location again.",
    Status.INVALID: "it does not count; remove the cause, then measure this location again.",
    Status.INTERRUPTED: "the same command with --resume measures what is missing.",
}


def is_blemished(record: AttemptRecord) -> bool:
    """Return whether an attempt is shown among those to look at again: not ``ok``, in doubt, or set apart by a note.

    Notes on the conditions are left to :func:`conditions`: they mostly stand on every attempt of a visit alike.
    """
    return record.status is not Status.OK or any(
        flag.severity != "note" or flag.name in SET_APART for flag in record.flags
    )


def conditions(attempts: Sequence[AttemptRecord]) -> tuple[tuple[Flag, int], ...]:
    """Return each note on the conditions of attempts that are ok: as last seen, and on how many of them.

    That the link is simulated is left out: it stands above every table.
    """
    noted = [
        flag
        for record in attempts
        if record.status is Status.OK
        for flag in record.flags
        if flag.severity == "note" and flag.name not in SET_APART and flag.name != SIMULATED
    ]
    last = {flag.name: flag for flag in noted}
    return tuple((flag, sum(other.name == name for other in noted)) for name, flag in last.items())


def next_action(record: AttemptRecord, made_good: bool = False) -> str:
    """Return what to do next: by why the attempt ended as it did, then by its first flag, then by its status.

    made_good: a later attempt has measured what this one did not.
    """
    if made_good and record.status in {Status.INVALID, Status.INTERRUPTED}:
        return MADE_GOOD
    codes = [record.reason.partition(":")[0], *(flag.name for flag in record.flags)]
    known = [CODE_ADVICE[code] for code in codes if code in CODE_ADVICE]
    return known[0] if known else STATUS_ADVICE[record.status]


def is_made_good(record: AttemptRecord, attempts: Sequence[AttemptRecord]) -> bool:
    """Return whether another attempt of the same visit settled the same wanted measurement."""
    return any(_wanted(other) == _wanted(record) and other.status in {Status.OK, Status.FAILED} for other in attempts)


def _wanted(record: AttemptRecord) -> tuple[object, ...]:
    case = (record.location, record.leg, record.engine, record.ap_config, record.direction)
    return (record.visit_id, record.repeat, case)
