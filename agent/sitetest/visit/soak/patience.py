"""How long a soak waits for what. May import the standard library only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SoakPatience:
    """Seconds, unless a name says otherwise. Engineering choices; a source stands where there is one.

    back_s: for the path to answer again after a switch. A channel in the bands that share with radar is listened to for
    60 s before it is used, some of them for 600 s (ETSI EN 301 893, 4.2.6: channel availability check; from memory),
    and an access point restarts in one to three minutes.
    settle_s: after a switch the path must answer twice, so far apart: an access point that takes a command goes away a
    moment later. watch_back_s: for the watch to see it too. radio_s: for the laptop to come to the declared radio.
    apply_tries, apply_pause_s: for an apply command that fails.
    diagnose_every_s: between questions to the network while nothing answers. search_after_s: of an outage, before the
    server is looked for at another address, and between two such searches.
    room_every_s: between two looks for room on a full disk. keep_every_s: how many seconds of the watch are kept at a
    time: what a power loss can cost. watch_again_s: before a watch that failed is begun again.
    """

    back_s: float = 900.0
    settle_s: float = 5.0
    watch_back_s: float = 15.0
    radio_s: float = 60.0
    radio_pause_s: float = 5.0
    apply_tries: int = 3
    apply_pause_s: float = 5.0
    diagnose_every_s: float = 30.0
    search_after_s: float = 60.0
    room_every_s: float = 30.0
    keep_every_s: float = 10.0
    watch_again_s: float = 30.0
