"""What a link sample says to a person: the link in a few words, or why it is not known.

Pure. May import observe.link, report and the standard library only.
"""

from sitetest.observe.link.reasons import IN_WORDS, Reason
from sitetest.observe.link.record import FrameRate, LinkSample, RadioLink
from sitetest.report.link_words import LinkFigures


def link_text(sample: LinkSample) -> str:
    """Return the link in a few words, each radio link of a multi-link connection by itself; empty where not known."""
    if sample.links and sample.channel is None:
        parts = [text for link in sample.links if (text := _figures(link, sample.phy).words)]
        return f"{len(sample.links)} radio links: {'; '.join(parts)}" if parts else ""
    return _figures(sample, sample.phy).words


def unread_text(sample: LinkSample) -> str:
    """Say in words why nothing is known of a link, by the first of the fields that people look for."""
    reason = next(
        (sample.why[path] for path in ("associated", "rssi_dbm", "channel") if path in sample.why), Reason.NOT_SAMPLED
    )
    if sample.associated is False:
        reason = Reason.NOT_ASSOCIATED
    return IN_WORDS[reason]


def _figures(link: LinkSample | RadioLink, phy: str | None) -> LinkFigures:
    return LinkFigures(
        band=link.band,
        channel=link.channel,
        width_mhz=link.width_mhz,
        rssi_dbm=link.rssi_dbm,
        tx_rate_mbps=_mbps(link.tx),
        rx_rate_mbps=_mbps(link.rx),
        phy=phy,
    )


def _mbps(rate: FrameRate | None) -> float | None:
    return None if rate is None else rate.mbps
