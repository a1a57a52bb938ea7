"""A reader that plays a capture through the decoders of the system that it came from. Its records say `recorded`.

May import the standard library and its neighbours only.
"""

import time
from collections.abc import Callable, Mapping
from typing import NamedTuple

from sitetest.errors import UsageError
from sitetest.observe.link import corewlan_decode, nl80211_decode, wlanapi_decode
from sitetest.observe.link.capture_file import Capture, CaptureLine
from sitetest.observe.link.draft import empty_facts, empty_sample
from sitetest.observe.link.events import LinkEvent
from sitetest.observe.link.no_reader import SAMPLE_FIELDS
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Clock, Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind


class Decoders(NamedTuple):
    """sample: (observation, moment, names, observation before). facts: (observation, moment)."""

    sample: Callable[[Observation, Moment, PlaceNames, Observation | None], LinkSample]
    facts: Callable[[Observation, Moment], LinkFacts]


DECODERS = {
    "linux-nl80211": Decoders(nl80211_decode.decode_sample, nl80211_decode.decode_facts),
    "macos-corewlan": Decoders(corewlan_decode.decode_sample, corewlan_decode.decode_facts),
    "windows-wlanapi": Decoders(wlanapi_decode.decode_sample, wlanapi_decode.decode_facts),
}
"""Decoders by the name of the reader that made the capture."""


class RecordedReader:
    """Gives the samples of a capture one after the other, one a call, whatever the clock says; then `not_sampled`.

    Raises UsageError for a capture of a reader that this version does not know.
    """

    kind = SourceKind.RECORDED

    def __init__(self, capture: Capture, names: PlaceNames, clock: Clock = time.monotonic) -> None:
        header = capture.header
        if header.reader not in DECODERS:
            raise UsageError(
                f"the capture was made by the reader {header.reader!r}; this version can decode those of "
                f"{', '.join(DECODERS)}"
            )
        self.name = header.reader
        self.capture = capture
        self._names = names
        self._clock = clock
        self._source = Source(self.kind, self.name, header.os)
        self._decoders = DECODERS[header.reader]
        self._samples = iter([line for line in capture.lines if line.line == "sample"])
        self._facts = iter([line for line in capture.lines if line.line == "facts"])
        self._before: Observation | None = None

    def capabilities(self) -> Mapping[str, Reason | None]:
        """Whatever the capture holds may come."""
        return dict.fromkeys(SAMPLE_FIELDS)

    def sample(self, interface: str, deadline_s: float) -> LinkSample:  # noqa: ARG002  the protocol's signature
        """Return the next sample of the capture. Its cost is the recorded one."""
        line = next(self._samples, None)
        moment = self._moment(interface, line)
        if line is None:
            return empty_sample(moment, Reason.NOT_SAMPLED)
        raw = dict(line.body)
        sample = self._decoders.sample(raw, moment, self._names, self._before)
        self._before = raw
        return sample

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:  # noqa: ARG002  the protocol's signature
        """Return the next slow facts of the capture."""
        line = next(self._facts, None)
        moment = self._moment(interface, line)
        return (
            empty_facts(moment, Reason.NOT_SAMPLED) if line is None else self._decoders.facts(dict(line.body), moment)
        )

    def events(self, interface: str) -> "RecordedEvents":
        """Return the capture's events; they come as fast as they are asked for."""
        lines = [line for line in self.capture.lines if line.line == "event"]
        return RecordedEvents(lines, interface, self._source, self._names, self._clock)

    def close(self) -> None:
        """Nothing is held."""

    def _moment(self, interface: str, line: CaptureLine | None) -> Moment:
        now_s = self._clock()
        return Moment(self._source, interface, now_s, now_s + (line.end_s - line.at_s if line is not None else 0.0))


class RecordedEvents:
    """The events of a capture, all at the first asking."""

    def __init__(
        self, lines: list[CaptureLine], interface: str, source: Source, names: PlaceNames, clock: Clock
    ) -> None:
        self._lines = lines
        self._interface = interface
        self._source = source
        self._names = names
        self._clock = clock

    def wait(self, limit_s: float) -> tuple[LinkEvent, ...]:  # noqa: ARG002  the protocol's signature
        """Return what has not been told yet. A line that is no event is passed over."""
        lines, self._lines = self._lines, []
        found = []
        for line in lines:
            body = dict(line.body)
            try:
                if body.get("bssid") is not None:
                    body["bssid"] = self._names.bssid(body["bssid"])
                source = {"kind": self._source.kind.value, "reader": self._source.reader, "os": self._source.os}
                clocked = {"at_s": self._clock(), "interface": self._interface, "source": source}
                found.append(LinkEvent.from_json({**body, **clocked}))
            except (ValueError, AttributeError):
                continue
        return tuple(found)

    def close(self) -> None:
        """Nothing is held."""
