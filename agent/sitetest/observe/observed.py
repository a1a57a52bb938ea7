"""All that was seen beside one transfer, as facts. What it means is for others (`visit/flags.py`, `visit/figures.py`).

Pure. May import its neighbours and the standard library only.
"""

from dataclasses import dataclass

from sitetest.observe.host import HostSample
from sitetest.observe.interface import InterfaceFacts
from sitetest.observe.link.record import LinkFacts
from sitetest.observe.link.sampler import LinkLog
from sitetest.observe.probe_record import LatencyRecord
from sitetest.observe.responsiveness import ForeignProbe


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What the observers of one transfer wrote down. All times are the agent's monotonic clock.

    load_from_s: when the path stopped being idle; load_until_s: when it was idle again; None when it never came to
    that. interface, interface_after: of the one that carries the packets to the server, before and after; None when it
    is not known. facts_before, facts_after: the radio's slow facts; None where nothing reads them. link: None where no
    reader ran. host: one sample a second. latency: None when no prober ran (no reflector). foreign: probes on
    connections of their own, for responsiveness.

    received_from_s, acked_from_s: when the clock of the transfer's samples read 0, of those that count received and of
    those that count acknowledged bytes, by the one that was handed over soonest; None where none was.
    """

    load_from_s: float | None = None
    load_until_s: float | None = None
    received_from_s: float | None = None
    acked_from_s: float | None = None
    interface: InterfaceFacts | None = None
    interface_after: InterfaceFacts | None = None
    facts_before: LinkFacts | None = None
    facts_after: LinkFacts | None = None
    link: LinkLog | None = None
    host: tuple[HostSample, ...] = ()
    latency: LatencyRecord | None = None
    foreign: tuple[ForeignProbe, ...] = ()


NOTHING = Observed()
"""What is known where nobody looked."""
