"""What the radio said while the measuring window ran. Pure.

Rates are those of single frames: the figure of an attempt is the median of the window's seconds, never the value at
its end. Names (channel, width, generation, access point) are the commonest of the window; that they changed is for the
flags to say. With several links (Wi-Fi 7) a figure is null where the record gives it by link only, but for the signal,
which is then the best link's.

May import observe, visit.timeline and the standard library only.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TypeVar

from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.visit.timeline import Timeline

NO_SOURCE = "none"

Name = TypeVar("Name", int, str, bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFigures:
    """Columns of an attempt, as `store.records.AttemptRecord` names them. link_source: ``none`` when the reader told
    nothing about any link."""

    link_source: str = NO_SOURCE
    band: str | None = None
    channel: int | None = None
    width_mhz: int | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    phy: str | None = None
    bssid_label: str | None = None
    power_save: bool | None = None


def link_figures(observed: Observed, line: Timeline | None) -> LinkFigures:
    """Return them; without a window all but the source and power save are null."""
    samples = () if observed.link is None else observed.link.samples
    told = [sample for sample in samples if sample.associated is not None]
    inside = [sample for sample in told if line is not None and line.covers(sample.at_s)]
    phy = commonest(sample.phy for sample in inside)
    return LinkFigures(
        link_source=told[0].source.kind.value if told else NO_SOURCE,
        band=commonest(sample.band for sample in inside),
        channel=commonest(sample.channel for sample in inside),
        width_mhz=commonest(sample.width_mhz for sample in inside),
        rssi_dbm=_median(signal_dbm(sample) for sample in inside),
        tx_rate_mbps=_median(None if sample.tx is None else sample.tx.mbps for sample in inside),
        rx_rate_mbps=_median(None if sample.rx is None else sample.rx.mbps for sample in inside),
        phy=None if phy is None else phy.lower(),
        bssid_label=commonest(sample.bssid for sample in inside),
        power_save=_power_save(observed, told),
    )


def signal_dbm(sample: LinkSample) -> float | None:
    """Return the best valid reading of the signal: the single one, the running average, that of beacons, or of the best
    link; None where there is none."""
    for value in (sample.rssi_dbm, sample.rssi_avg_dbm, sample.beacon_rssi_dbm):
        if value is not None:
            return value
    return max((link.rssi_dbm for link in sample.links or () if link.rssi_dbm is not None), default=None)


def commonest(values: Iterable[Name | None]) -> Name | None:
    """Return the most frequent value, of equally frequent ones the earliest; None is no value."""
    counted = Counter(value for value in values if value is not None)
    return counted.most_common(1)[0][0] if counted else None


def _power_save(observed: Observed, told: Sequence[LinkSample]) -> bool | None:
    """On when anything said so, at any time; None when nobody told."""
    facts = [record.power_save for record in (observed.facts_before, observed.facts_after) if record is not None]
    known = [value for value in (*facts, *(sample.power_save for sample in told)) if value is not None]
    return any(known) if known else None


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
