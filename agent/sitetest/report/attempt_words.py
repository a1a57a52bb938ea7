"""What stood beside an attempt, in a few words for a screen.

Pure. May import report, store.records and the standard library only.
"""

from collections.abc import Sequence

from sitetest.report.link_words import LinkFigures, round_trip_words
from sitetest.store.records import AttemptRecord

NOT_THE_AIR = {"ethernet": "a cable", "tunnel": "a tunnel"}
"""Kinds of interface (`observe/interface.py`) that say that something else than the air was measured."""


def link_words_of(record: AttemptRecord) -> str:
    """Return the link in a few words; empty where nothing is known of it."""
    return LinkFigures(
        band=record.band,
        channel=record.channel,
        width_mhz=record.width_mhz,
        rssi_dbm=record.rssi_dbm,
        tx_rate_mbps=record.tx_rate_mbps,
        rx_rate_mbps=record.rx_rate_mbps,
        phy=record.phy,
    ).words


def round_trip_words_of(record: AttemptRecord) -> str:
    """Return the round trips, idle and loaded; empty where none was measured."""
    return round_trip_words(record.rtt_idle_ms, record.rtt_loaded_p50_ms, record.rtt_loaded_p95_ms)


def not_the_air_of(records: Sequence[AttemptRecord]) -> str:
    """Say that results went over a cable or a tunnel; empty where none is known to have."""
    sentences = []
    for kind, what in NOT_THE_AIR.items():
        over = [record for record in records if record.interface_kind == kind]
        if over:
            names = ", ".join(sorted({record.interface for record in over if record.interface}))
            some = "All" if len(over) == len(records) else f"{len(over)} of {len(records)}"
            sentences.append(f"{some} attempts went over {what}{f' ({names})' if names else ''}, not over Wi-Fi.")
    return " ".join(sentences)
