"""Which flags about the radio nobody could tell of an attempt that began now: the flags' own rules, asked beforehand.

The rules are given two looks at the link a second apart as if a transfer had run meanwhile; what they cannot tell from
those they cannot tell from thirty. Rows that need more than two looks by their nature are left out.

Pure. May import observe, engines.base, visit, sitetest_wire and the standard library only.
"""

from sitetest.engines.base import TransferResult, TransferSpec
from sitetest.observe.interface import InterfaceFacts
from sitetest.observe.link.record import LinkFacts, LinkSample
from sitetest.observe.link.sampler import PERIOD_S, LinkLog
from sitetest.observe.observed import Observed
from sitetest.visit.flags import RADIO, Scene, confounders
from sitetest_wire.words import Direction

NEED_MORE_LOOKS = frozenset({"frozen_rssi", "busy_channel", "narrow_frames", "asymmetric_rates", "radio_retries"})
"""Rows over many seconds, or over seconds under load; that the figures behind them are missing is said anyway."""


def blind_flags(
    samples: tuple[LinkSample, LinkSample],
    facts: LinkFacts,
    *,
    events_available: bool,
    interface: InterfaceFacts | None = None,
) -> tuple[str, ...]:
    """Return the names of the flags that stay unknown on this system, in the order of the table."""
    first, last = samples
    log = LinkLog(samples, (), events_available, first.cost_ms, last.cost_ms, PERIOD_S, ())
    seen = Observed(
        load_from_s=first.at_s,
        load_until_s=last.end_s,
        interface=interface,
        facts_before=facts,
        facts_after=facts,
        link=log,
    )
    nothing_moved = TransferResult(TransferSpec(Direction.DOWNLOAD, 1, 0.0, PERIOD_S))
    unknown = confounders(Scene(result=nothing_moved, observed=seen)).unknown
    return tuple(name for name in unknown if name in RADIO and name not in NEED_MORE_LOOKS)
