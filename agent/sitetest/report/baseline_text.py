"""The wired baseline in words: what the wire gave, against what its links allow. Pure.

May import ceilings, report, store.records and the standard library only.
"""

from typing import Any

from sitetest.ceilings.ethernet import tcp_ceiling_mbps
from sitetest.report.wording import rate_text
from sitetest.store.records import BaselineRecord

ENOUGH_SHARE = 0.90
"""A healthy wire carries this share of what its slowest link can, or more. Common practice, no source."""

TOO_MUCH_SHARE = 1.03
"""More than the link can carry says that the speed as told is not the real one; the rest is rounding of the window."""


def wire_ceiling_mbps(baseline: BaselineRecord, mtu: int = 1500) -> float | None:
    """Return the most TCP payload that the slowest known link of the two ends can carry; None where none is known."""
    known = [speed for speed in (baseline.link_mbps, baseline.server_link_mbps) if speed is not None]
    return tcp_ceiling_mbps(min(known), mtu) if known else None


def baseline_lines(baseline: BaselineRecord, site: str, mtu: int = 1500) -> list[str]:
    """Return the result, what it is held against, and what it will be used for: a sentence each."""
    over = f" over {baseline.interface}" if baseline.interface else ""
    rates = {"download": baseline.download_mbps, "upload": baseline.upload_mbps}
    told = ", ".join(
        f"{way} {rate_text(rate)} Mbit/s" if rate is not None else f"{way} not measured" for way, rate in rates.items()
    )
    lines = [f"The wire{over}, {baseline.engine} with {baseline.streams} streams, medians: {told}."]
    measured = {way: rate for way, rate in rates.items() if rate is not None}
    ceiling = wire_ceiling_mbps(baseline, mtu)
    if ceiling is None:
        lines.append("Neither end tells the speed of its link, so there is nothing to hold that against.")
    else:
        slowest = min(speed for speed in (baseline.link_mbps, baseline.server_link_mbps) if speed is not None)
        shares = {way: rate / ceiling for way, rate in measured.items()}
        percents = ", ".join(f"{way} {share:.0%}" for way, share in shares.items())
        lines.append(
            f"The slowest link that is known, {slowest} Mbit/s, carries at most {rate_text(ceiling)} Mbit/s of TCP "
            f"payload{f'; of that: {percents}' if percents else ''}."
        )
        if any(share > TOO_MUCH_SHARE for share in shares.values()):
            lines.append(
                "That is more than such a link can carry: the speed that the system tells is not the real one."
            )
        elif any(share < ENOUGH_SHARE for share in shares.values()):
            lines.append(
                "That is less than the link allows: look at cable, switch and both computers before you trust any "
                "Wi-Fi result above it."
            )
    if measured:
        lines.append(
            f"Kept for {site}: a Wi-Fi result near these figures will be said to be bound by the wire, not by the air."
        )
    return lines


def baseline_document(baseline: BaselineRecord, mtu: int = 1500) -> dict[str, Any]:
    """Return the same as a JSON-ready mapping."""
    return {
        "baseline_id": baseline.baseline_id,
        "measured_at": baseline.measured_at.isoformat(),
        "client": baseline.client,
        "server": baseline.server,
        "interface": baseline.interface,
        "link_mbps": baseline.link_mbps,
        "server_link_mbps": baseline.server_link_mbps,
        "engine": baseline.engine,
        "streams": baseline.streams,
        "duration_s": baseline.duration_s,
        "download_mbps": baseline.download_mbps,
        "upload_mbps": baseline.upload_mbps,
        "link_carries_mbps": wire_ceiling_mbps(baseline, mtu),
    }
