"""From a transfer and what its observers saw to the columns of the attempt. Pure.

May import engines.base, observe.observed, store.records, visit and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sitetest.engines.base import TransferResult
from sitetest.observe.observed import NOTHING, Observed
from sitetest.store.records import Observation, SecondRecord
from sitetest.visit.host_figures import HostFigures, host_figures
from sitetest.visit.latency_figures import LatencyFigures, latency_figures
from sitetest.visit.link_figures import LinkFigures, link_figures
from sitetest.visit.observations import observations
from sitetest.visit.observed_seconds import with_observed
from sitetest.visit.timeline import timeline


@dataclass(frozen=True, slots=True)
class Figures:
    """What the observers add to an attempt."""

    latency: LatencyFigures
    link: LinkFigures
    host: HostFigures
    seconds: tuple[SecondRecord, ...]
    observations: tuple[Observation, ...]

    def columns(self) -> dict[str, Any]:
        """Return the fields of :class:`sitetest.store.records.AttemptRecord` that come from here, by name."""
        return {
            **asdict(self.latency),
            **asdict(self.link),
            **asdict(self.host),
            "seconds": self.seconds,
            "observations": self.observations,
        }


def figures(result: TransferResult, observed: Observed | None, seconds: Sequence[SecondRecord]) -> Figures:
    """Return them. observed: None where nobody looked on. seconds: of the measuring window, from the transfer alone."""
    seen = observed or NOTHING
    line = timeline(result, seen)
    latency = latency_figures(result, seen, line) if observed is not None else LatencyFigures()
    return Figures(
        latency=latency,
        link=link_figures(seen, line),
        host=host_figures(result, seen, line),
        seconds=with_observed(seconds, result, seen, line),
        observations=observations(result, seen, line),
    )
