"""A reader that plays a scenario. Its records say `simulated`, and nothing can make them say anything else.

May import the standard library and its neighbours only.
"""

import sys
import time
from collections.abc import Mapping

from sitetest.ceilings.wifi_rates import Generation, PhyRate
from sitetest.observe.link.draft import Draft
from sitetest.observe.link.events import LinkEvent, LinkEventKind
from sitetest.observe.link.no_reader import SAMPLE_FIELDS
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Clock
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind
from sitetest.observe.link.scenario import RadioState, Scenario

NOT_PLAYED = ("beacon_rssi_dbm", "busy_pct", "retries", "tx_failed", "tx_packets", "beacon_loss", "punctured")


class ScenarioReader:
    """Plays a scenario from the first call of :meth:`begin`, :meth:`sample` or :meth:`events` on."""

    kind = SourceKind.SIMULATED
    name = "scenario"

    def __init__(self, scenario: Scenario, names: PlaceNames, clock: Clock = time.monotonic) -> None:
        self.scenario = scenario
        self._names = names
        self._clock = clock
        self._source = Source(self.kind, self.name, sys.platform)
        self._began_s: float | None = None

    def begin(self) -> None:
        """Let the scenario begin now (again)."""
        self._began_s = self._clock()

    def capabilities(self) -> Mapping[str, Reason | None]:
        """All but what no scenario plays."""
        return {name: Reason.NOT_SAMPLED if name in NOT_PLAYED else None for name in SAMPLE_FIELDS}

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:  # noqa: ARG002  the protocol's signature
        """Return what the scenario says of power save."""
        draft = Draft()
        draft.put("power_save", self.scenario.state_at(self.elapsed_s()).power_save)
        return draft.facts(self._moment(interface), Reason.NOT_SAMPLED)

    def sample(self, interface: str, deadline_s: float) -> LinkSample:  # noqa: ARG002  the protocol's signature
        """Return the scenario's state now."""
        elapsed_s = self.elapsed_s()
        state = self.scenario.state_at(elapsed_s)
        draft = Draft()
        if state.associated:
            self._put_link(draft, state, elapsed_s)
            return draft.sample(self._moment(interface), Reason.NOT_SAMPLED)
        draft.put("associated", False)
        return draft.sample(self._moment(interface), Reason.NOT_ASSOCIATED)

    def events(self, interface: str) -> "ScenarioEvents":
        """Return the scenario's events."""
        self.elapsed_s()
        return ScenarioEvents(self, interface, self._source, self._names, self._clock)

    def close(self) -> None:
        """Nothing is held."""

    def elapsed_s(self) -> float:
        """Return the scenario's own time; the first call begins it."""
        if self._began_s is None:
            self.begin()
        return self._clock() - (self._began_s or 0.0)

    def _put_link(self, draft: Draft, state: RadioState, elapsed_s: float) -> None:
        draft.put("associated", True)
        draft.put("mlo", False)
        draft.links = []
        hidden = Reason.NEEDS_LOCATION_PERMISSION
        draft.put("ssid", self._names.ssid(state.ssid.encode()) if state.permission else None, hidden)
        draft.put("bssid", self._names.bssid(state.bssid) if state.permission else None, hidden)
        draft.channel(state.freq_mhz, state.width_mhz, state.centre_mhz)
        steps = state.signal_steps_db
        draft.put("rssi_dbm", state.rssi_dbm + steps[int(elapsed_s) % len(steps)])
        draft.put("rssi_avg_dbm", state.rssi_dbm)
        draft.put("noise_dbm", state.noise_dbm)
        draft.put("phy", state.tx.generation.value)
        put_phy_rate(draft, "tx", state.tx)
        put_phy_rate(draft, "rx", state.rx)
        draft.put("connected_s", max(0.0, elapsed_s - self.scenario.associated_since(elapsed_s)))
        draft.put("associated_at_s", 1000.0 + self.scenario.associated_since(elapsed_s))
        draft.put("power_save", state.power_save)

    def _moment(self, interface: str) -> Moment:
        now_s = self._clock()
        return Moment(self._source, interface, now_s, now_s)


def put_phy_rate(draft: Draft, way: str, rate: PhyRate) -> None:
    """Set one direction's rate from a modulation."""
    draft.put(f"{way}.mbps", round(rate.mbps, 1))
    streams_before = (rate.streams - 1) * 8 if rate.generation is Generation.HT else 0
    draft.put(f"{way}.mcs", streams_before + rate.mcs)
    draft.put(f"{way}.nss", rate.streams)
    draft.put(f"{way}.width_mhz", rate.width_mhz)
    draft.put(f"{way}.gi_ns", rate.guard_ns)
    draft.put(f"{way}.phy", rate.generation.value)


class ScenarioEvents:
    """Hands over each event of a scenario once, when its time has come. Does not wait."""

    def __init__(self, reader: ScenarioReader, interface: str, source: Source, names: PlaceNames, clock: Clock) -> None:
        self._reader = reader
        self._interface = interface
        self._source = source
        self._names = names
        self._clock = clock
        self._told = 0

    def wait(self, limit_s: float) -> tuple[LinkEvent, ...]:  # noqa: ARG002  the protocol's signature
        """Return the events whose time has come."""
        elapsed_s = self._reader.elapsed_s()
        changes = [change for change in self._reader.scenario.changes if change.event is not None]
        due = [change for change in changes[self._told :] if change.at_s <= elapsed_s]
        self._told += len(due)
        now_s = self._clock()
        found = []
        for change in due:
            assert change.event is not None
            state = self._reader.scenario.state_at(change.at_s)
            moved = change.event in (LinkEventKind.ROAMED, LinkEventKind.CONNECTED, LinkEventKind.CHANNEL_SWITCHED)
            named = moved and state.permission and change.event is not LinkEventKind.CHANNEL_SWITCHED
            found.append(
                LinkEvent(
                    at_s=now_s - (elapsed_s - change.at_s),
                    kind=change.event,
                    source=self._source,
                    interface=self._interface,
                    bssid=self._names.bssid(state.bssid) if named else None,
                    freq_mhz=state.freq_mhz if moved else None,
                    width_mhz=state.width_mhz if moved else None,
                )
            )
        return tuple(found)

    def close(self) -> None:
        """Nothing is held."""
