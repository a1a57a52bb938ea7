"""A radio link in a few words: one wording for every screen. Pure. May import the standard library only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What a person wants to know of a link. tx_rate_mbps: PHY rate up; rx_rate_mbps: down. None: not known."""

    band: str | None = None
    channel: int | None = None
    width_mhz: int | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    phy: str | None = None

    @property
    def words(self) -> str:
        """``5 GHz channel 36, 80 MHz, HE, -52 dBm, rate 961 down 1201 up``; empty where nothing is known."""
        place = [f"{self.band} GHz" if self.band else "", f"channel {self.channel}" if self.channel is not None else ""]
        rates = [
            f"{rate_mbps:.0f} {way}"
            for rate_mbps, way in ((self.rx_rate_mbps, "down"), (self.tx_rate_mbps, "up"))
            if rate_mbps is not None
        ]
        facts = [
            " ".join(filter(None, place)),
            f"{self.width_mhz} MHz" if self.width_mhz is not None else "",
            self.phy or "",
            f"{self.rssi_dbm:.0f} dBm" if self.rssi_dbm is not None else "",
            f"rate {' '.join(rates)}" if rates else "",
        ]
        return ", ".join(filter(None, facts))


def round_trip_words(idle_ms: float | None, loaded_p50_ms: float | None, loaded_p95_ms: float | None) -> str:
    """``round trip 3.1 ms idle, 24 ms loaded (95 %: 60 ms)``; empty where nothing is known."""
    told = []
    if idle_ms is not None:
        told.append(f"{milliseconds_text(idle_ms)} idle")
    if loaded_p50_ms is not None:
        most = f" (95 %: {milliseconds_text(loaded_p95_ms)})" if loaded_p95_ms is not None else ""
        told.append(f"{milliseconds_text(loaded_p50_ms)} loaded{most}")
    return f"round trip {', '.join(told)}" if told else ""


def milliseconds_text(duration_ms: float) -> str:
    """Return milliseconds with their unit, two figures at least: ``0.31 ms``, ``3.1 ms``, ``24 ms``."""
    digits = 2 if duration_ms < 0.995 else 1 if duration_ms < 9.95 else 0
    return f"{duration_ms:.{digits}f} ms"
