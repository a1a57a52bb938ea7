"""Writes down what the observers saw, whole, for whoever wants to look again: each record as compact JSON. Pure.

    kind           one a                  body
    link           second, as it changed  LinkSample.to_json; left out while nothing is known, and that for the same
                                          reasons as before
    link_event     event                  LinkEvent.to_json
    link_facts     twice                  LinkFacts.to_json, before and after
    interface      twice                  InterfaceFacts, before and after
    host           second                 HostSample
    server_host    second                 ServerSecond; the first one also says interface, speed and duplex
    latency        second and phase       phase; of each probe sent_ms after the record's own time, and rtt_ms or null;
                                          why, by place, of those without; who took the times (stamps). The last one is
                                          of the phase ``all``: late, duplicates, reordered, and why when none came
    foreign_probe  probe                  ForeignTimes, or why

A key of a body without a value is left out: in records with ``why``, it stands there with the reason. Numbers are
rounded to 0.0001 of their unit; times inside a body are the agent's monotonic clock (server_host: the server's).

May import engines.base, observe, store.records, visit.timeline, sitetest_wire and the standard library only.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any

from sitetest.engines.base import TransferResult
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.observe.probe_record import LatencyRecord, Probe
from sitetest.store.records import Observation
from sitetest.visit.timeline import Timeline

DECIMALS = 4


def observations(result: TransferResult, observed: Observed, line: Timeline | None) -> tuple[Observation, ...]:
    """Return all records in order of time. Times count from the begin of the load; where it never began, from the last
    thing that was seen, so that all of them lie before it."""
    found = sorted(_all(result, observed, line), key=lambda entry: entry[1])
    if observed.load_from_s is not None:
        origin_s = observed.load_from_s
    else:
        origin_s = max((at_s for _, at_s, _ in found), default=0.0)
    return tuple(Observation(kind, round(at_s - origin_s, DECIMALS), compact(body)) for kind, at_s, body in found)


def compact(body: Mapping[str, Any]) -> str:
    """Return a body as JSON without blanks and without keys that have no value."""
    told = {key: _rounded(value) for key, value in body.items() if value is not None}
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"))


Entry = tuple[str, float, Mapping[str, Any]]


def _all(result: TransferResult, observed: Observed, line: Timeline | None) -> Iterator[Entry]:
    if observed.link is not None:
        yield from (("link", sample.at_s, sample.to_json()) for sample in _telling(observed.link.samples))
        yield from (("link_event", event.at_s, event.to_json()) for event in observed.link.events)
    for facts, interface, otherwise_s in (
        (observed.facts_before, observed.interface, observed.load_from_s),
        (observed.facts_after, observed.interface_after, observed.load_until_s),
    ):
        if facts is not None:
            yield "link_facts", facts.at_s, facts.to_json()
        if interface is not None:  # read together with the radio's facts
            yield "interface", facts.at_s if facts is not None else otherwise_s or 0.0, asdict(interface)
    yield from (("host", sample.at_s, asdict(sample)) for sample in observed.host)
    yield from _server_host(result, observed, line)
    if observed.latency is not None:
        yield from _latency(observed.latency)
    for probe in observed.foreign:
        yield "foreign_probe", probe.sent_at_s, asdict(probe.times) if probe.times else {"why": probe.why}


def _telling(samples: Sequence[LinkSample]) -> Iterator[LinkSample]:
    """Leave out samples that know nothing, but for the first of each set of reasons."""
    before: Mapping[str, str] | None = None
    for sample in samples:
        if sample.associated is None and sample.why == before:
            continue
        before = sample.why
        yield sample


def _server_host(result: TransferResult, observed: Observed, line: Timeline | None) -> Iterator[Entry]:
    host = result.server_host
    if host is None:
        return
    zero_s = (observed.load_from_s or 0.0) if line is None else line.start_s - line.server_start_s
    about: dict[str, Any] = {"interface": host.interface, "speed_mbps": host.speed_mbps, "duplex": host.duplex}
    for second in host.seconds:
        yield "server_host", zero_s + second.at_s, about | asdict(second)
        about = {}


def _latency(record: LatencyRecord) -> Iterator[Entry]:
    """One entry for each second of the clock and phase. A record in which nothing was answered says why in each."""
    for (phase, _), group in groupby(record.probes, key=lambda probe: (probe.phase, int(probe.sent_at_s))):
        probes = list(group)
        at_s = probes[0].sent_at_s
        whys = {str(place): str(probe.why) for place, probe in enumerate(probes) if probe.why is not None}
        yield (
            "latency",
            at_s,
            {
                "phase": str(phase),
                "sent_ms": [round((probe.sent_at_s - at_s) * 1e3, 1) for probe in probes],
                "rtt_ms": [probe.rtt_ms for probe in probes],
                "stamps": _stamps(probes),
                "why": whys or None,
            },
        )
    counts = {"late": record.late, "duplicates": record.duplicates, "reordered": record.reordered}
    last_s = record.probes[-1].sent_at_s if record.probes else None
    if last_s is not None:
        yield "latency", last_s, {"phase": "all", "why": record.why, **counts}


def _stamps(probes: Sequence[Probe]) -> list[str]:
    return sorted({str(probe.stamps) for probe in probes if probe.stamps is not None})


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, DECIMALS)
    if isinstance(value, Mapping):
        return {key: _rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(part) for part in value]
    return value
