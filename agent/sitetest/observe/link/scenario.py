"""Invented courses of events for a laptop's link: what the radio would say at each moment. Nothing here is measured.

A scenario is a state at the start and changes at given seconds. It exercises flags, retries and reports; it says
nothing about radio physics, and no relation between signal and throughput may be read from it.

Pure. May import sitetest.ceilings and its neighbours only.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from sitetest.ceilings.channels import Band, frequency_of
from sitetest.ceilings.wifi_rates import Generation, PhyRate
from sitetest.observe.link.events import LinkEventKind

HE80_MCS9 = PhyRate(Generation.HE, 80, 9, 2, 800)
HE80_MCS11 = PhyRate(Generation.HE, 80, 11, 2, 800)


@dataclass(frozen=True, slots=True)
class RadioState:
    """What the simulated radio says. centre_mhz, width_mhz: of the channel. signal_steps_db: added to rssi_dbm in turn,
    one a second; (0,) is a frozen signal. permission: the system shows names. associated: there is a link at all."""

    ssid: str = "quay-street"
    bssid: str = "02:00:00:aa:bb:01"
    band: Band = Band.GHZ_5
    channel: int = 36
    centre_mhz: float = 5210
    width_mhz: int = 80
    rssi_dbm: int = -52
    signal_steps_db: tuple[int, ...] = (0, -1, 0, 1, 0, -1, -2, -1)
    noise_dbm: int = -92
    tx: PhyRate = HE80_MCS9
    rx: PhyRate = HE80_MCS11
    power_save: bool = False
    permission: bool = True
    associated: bool = True
    connected_before_s: float = 120.0

    @property
    def freq_mhz(self) -> int:
        """Centre of the primary channel."""
        return frequency_of(self.channel, self.band)


@dataclass(frozen=True, slots=True)
class Change:
    """At ``at_s`` seconds: new values of fields of the state, and the event that the system reports, if any."""

    at_s: float
    values: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    event: LinkEventKind | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """name: one word. story: one sentence for people. changes: in order of time."""

    name: str
    story: str
    start: RadioState = RadioState()
    changes: tuple[Change, ...] = ()

    def __post_init__(self) -> None:
        times = [change.at_s for change in self.changes]
        if times != sorted(times):
            raise ValueError(f"the changes of {self.name} are not in order of time")
        self.state_at(max(times, default=0.0))

    def state_at(self, at_s: float) -> RadioState:
        """Return the state ``at_s`` seconds after the start."""
        state = self.start
        for change in self.changes:
            if change.at_s <= at_s:
                state = replace(state, **change.values)
        return state

    def associated_since(self, at_s: float) -> float:
        """Return when the association of that moment began, in seconds after the start (below 0: before it)."""
        since_s = -self.start.connected_before_s
        for change in self.changes:
            if change.at_s <= at_s and change.event in (LinkEventKind.ROAMED, LinkEventKind.CONNECTED):
                since_s = change.at_s
        return since_s


def _rates(width_mhz: int, mcs: int = 9) -> dict[str, Any]:
    rate = PhyRate(Generation.HE, width_mhz, mcs, 2, 800)
    return {"width_mhz": width_mhz, "tx": rate, "rx": rate}


def steady() -> Scenario:
    """Nothing happens."""
    return Scenario("steady", "Nothing happens to the link.")


def roam(at_s: float = 7.0) -> Scenario:
    """The laptop moves to another access point on another channel."""
    there = {"bssid": "02:00:00:aa:bb:02", "channel": 149, "centre_mhz": 5775, "rssi_dbm": -61}
    return Scenario(
        "roam",
        f"The laptop moves to another access point after {at_s:g} s.",
        changes=(Change(at_s, there, LinkEventKind.ROAMED),),
    )


def width_fallback(at_s: float = 5.0, again_at_s: float = 12.0) -> Scenario:
    """The channel narrows from 80 to 40 and then to 20 MHz."""
    return Scenario(
        "width_fallback",
        "The channel narrows from 80 to 40 MHz and then to 20 MHz.",
        changes=(
            Change(at_s, {"centre_mhz": 5190, **_rates(40)}, LinkEventKind.CHANNEL_SWITCHED),
            Change(again_at_s, {"centre_mhz": 5180, **_rates(20)}, LinkEventKind.CHANNEL_SWITCHED),
        ),
    )


def channel_move(at_s: float = 8.0) -> Scenario:
    """The access point leaves a radar channel for another one."""
    return Scenario(
        "channel_move",
        f"The access point moves from channel 52 to 100 after {at_s:g} s.",
        RadioState(channel=52, centre_mhz=5290),
        (
            Change(at_s, event=LinkEventKind.CHANNEL_SWITCH_STARTED),
            Change(at_s + 0.5, {"channel": 100, "centre_mhz": 5530}, LinkEventKind.CHANNEL_SWITCHED),
        ),
    )


def scan_burst(at_s: float = 6.0, lasts_s: float = 4.0) -> Scenario:
    """The laptop looks for other networks in the middle of the test."""
    return Scenario(
        "scan_burst",
        f"The laptop scans for {lasts_s:g} s.",
        changes=(
            Change(at_s, event=LinkEventKind.SCAN_STARTED),
            Change(at_s + lasts_s, event=LinkEventKind.SCAN_FINISHED),
        ),
    )


def power_save() -> Scenario:
    """Wi-Fi power save is on."""
    return Scenario("power_save", "Wi-Fi power save is on.", RadioState(power_save=True))


def frozen_signal() -> Scenario:
    """The driver repeats one signal value."""
    return Scenario("frozen_signal", "The driver repeats one signal value.", RadioState(signal_steps_db=(0,)))


def permission_lost(at_s: float = 9.0) -> Scenario:
    """The system stops showing names midway."""
    return Scenario(
        "permission_lost",
        f"The system hides network names after {at_s:g} s.",
        changes=(Change(at_s, {"permission": False}),),
    )


def reassociation(at_s: float = 7.0, away_s: float = 2.0) -> Scenario:
    """The link drops and comes back on the same access point."""
    return Scenario(
        "reassociation",
        f"The link drops after {at_s:g} s and is back {away_s:g} s later.",
        changes=(
            Change(at_s, {"associated": False}, LinkEventKind.DISCONNECTED),
            Change(at_s + away_s, {"associated": True}, LinkEventKind.CONNECTED),
        ),
    )


SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        steady(),
        roam(),
        width_fallback(),
        channel_move(),
        scan_burst(),
        power_save(),
        frozen_signal(),
        permission_lost(),
        reassociation(),
    )
}
"""The scenarios by name."""
