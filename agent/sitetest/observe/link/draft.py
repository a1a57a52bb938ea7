"""A link record being filled in. Readers hand over whatever they got; what comes out keeps the record's promise.

A value that is not plausible becomes null with `invalid_value`, a damaged one null with `parse_error`, a field that
nobody spoke about null with the reason given at the end. So a reader cannot fail by what a driver says.

Pure. May import sitetest.ceilings and its neighbours only.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from sitetest.ceilings.channels import band_of, channel_of, may_need_radar_check
from sitetest.observe.link.plausible import plausible
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import (
    FACTS_FACTS,
    SAMPLE_FACTS,
    FrameRate,
    LinkFacts,
    LinkSample,
    Moment,
    RadioLink,
)

RATE_FIELDS = tuple(part.name for part in fields(FrameRate))
RATES = ("tx", "rx")


@dataclass(slots=True)
class Draft:
    """values, why: by path. links: one draft each; None as long as nobody spoke about links."""

    values: dict[str, Any] = field(default_factory=dict)
    why: dict[str, Reason] = field(default_factory=dict)
    derived: set[str] = field(default_factory=set)
    links: "list[Draft] | None" = None

    def put(self, path: str, value: object, missing: Reason = Reason.NOT_REPORTED_BY_DRIVER) -> bool:
        """Set a field, or note why it cannot be set: ``missing`` for None. Returns whether it has a value now."""
        if value is None:
            return self.lack(path, missing)
        if not plausible(path, value):
            return self.lack(path, Reason.INVALID_VALUE)
        self.values[path] = value
        self.why.pop(path, None)
        return True

    def derive(self, path: str, value: object, missing: Reason = Reason.NOT_REPORTED_BY_DRIVER) -> None:
        """Set a field that was computed from other readings."""
        if self.put(path, value, missing):
            self.derived.add(path)

    def lack(self, path: str, reason: Reason) -> bool:
        """Note why a field has no value. Always False."""
        self.values.pop(path, None)
        self.derived.discard(path)
        self.why[path] = reason
        return False

    def lack_rest(self, names: tuple[str, ...], reason: Reason) -> None:
        """Give every one of these fields that nobody spoke about the same reason."""
        for name in names:
            if name not in self.values and name not in self.why:
                self.why[name] = reason

    def channel(
        self,
        freq_mhz: int | None,
        width_mhz: int | None,
        centre_mhz: float | None,
        missing: Reason = Reason.NOT_REPORTED_BY_DRIVER,
        *,
        computed: bool = False,
    ) -> None:
        """Set frequency, band, channel, width, centre and (for whole samples) the radar reminder together.
        computed: the frequency was not read but worked out, so band and number were read by the caller."""
        self.put("width_mhz", width_mhz, missing)
        self.put("centre_mhz", centre_mhz, missing)
        if not self.put("freq_mhz", freq_mhz, missing):
            for path in ("band", "channel", "dfs"):
                self.lack(path, self.why["freq_mhz"])
            return
        frequency_mhz = int(self.values["freq_mhz"])
        self.put("band", band_of(frequency_mhz))
        self.put("channel", channel_of(frequency_mhz), Reason.INVALID_VALUE)
        middle_mhz, span_mhz = self.values.get("centre_mhz"), self.values.get("width_mhz")
        if middle_mhz is None or span_mhz is None:
            middle_mhz, span_mhz = frequency_mhz, 20
        self.put("dfs", may_need_radar_check(middle_mhz, span_mhz))
        if computed:
            self.derived |= {"freq_mhz", "dfs"}

    def sample(self, moment: Moment, otherwise: Reason) -> LinkSample:
        """Return the finished sample; ``otherwise`` is the reason of whatever nobody spoke about."""
        self.put("interface", moment.interface, otherwise)
        why: dict[str, Reason] = {}
        body = self._body(LinkSample, SAMPLE_FACTS | {"links"}, otherwise, why, "")
        if self.links is None:
            why["links"] = self.why.get("links", otherwise)
        links = None if self.links is None else tuple(
            RadioLink(**link._body(RadioLink, frozenset(), otherwise, why, f"links.{index}."))
            for index, link in enumerate(self.links)
        )  # fmt: skip
        return LinkSample(
            at_s=moment.at_s,
            end_s=moment.end_s,
            source=moment.source,
            links=links,
            cost_ms=(moment.end_s - moment.at_s) * 1000,
            why=why,
            derived=self._all_derived(),
            **body,
        )

    def facts(self, moment: Moment, otherwise: Reason) -> LinkFacts:
        """Return the finished slow facts."""
        self.put("interface", moment.interface, otherwise)
        why: dict[str, Reason] = {}
        body = self._body(LinkFacts, FACTS_FACTS, otherwise, why, "")
        return LinkFacts(at_s=moment.at_s, source=moment.source, why=why, derived=self._all_derived(), **body)

    def _all_derived(self) -> tuple[str, ...]:
        own = set(self.derived)
        for index, link in enumerate(self.links or ()):
            own |= {f"links.{index}.{path}" for path in link.derived}
        return tuple(sorted(own))

    def _body(
        self, kind: type, skip: frozenset[str], otherwise: Reason, why: dict[str, Reason], prefix: str
    ) -> dict[str, Any]:
        body: dict[str, Any] = {}
        for name in (one.name for one in fields(kind) if one.name not in skip):
            if name in RATES:
                body[name] = self._rate(name, otherwise, why, prefix)
            elif name in self.values:
                body[name] = self.values[name]
            else:
                body[name] = None
                why[prefix + name] = self.why.get(name, otherwise)
        return body

    def _rate(self, way: str, otherwise: Reason, why: dict[str, Reason], prefix: str) -> FrameRate | None:
        parts: Mapping[str, Any] = {name: self.values.get(f"{way}.{name}") for name in RATE_FIELDS}
        if all(value is None for value in parts.values()):
            reasons = {self.why[path] for name in RATE_FIELDS if (path := f"{way}.{name}") in self.why}
            why[prefix + way] = self.why.get(way) or self.why.get(f"{way}.mbps") or min(reasons, default=otherwise)
            return None
        for name, value in parts.items():
            if value is None:
                why[f"{prefix}{way}.{name}"] = self.why.get(f"{way}.{name}", otherwise)
        return FrameRate(**parts)


def empty_sample(moment: Moment, reason: Reason) -> LinkSample:
    """Return a sample in which nothing is known but the interface, for one reason."""
    return Draft().sample(moment, reason)


def empty_facts(moment: Moment, reason: Reason) -> LinkFacts:
    """Return slow facts in which nothing is known but the interface, for one reason."""
    return Draft().facts(moment, reason)
